"""A clip -> a page in the browser, served from this machine to this machine, and what was done there."""
