"""Sightings -> Tracks: which sightings are the same ball, by a Kalman filter and one assignment a frame."""
