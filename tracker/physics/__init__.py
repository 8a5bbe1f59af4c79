"""State of air and ball -> forces -> flight path; SI floats and arrays only."""
