"""Positions, camera and room -> a demo clip with its truth; it knows no physics."""
