"""Metres, seconds -> Launches: exit speed, angle, drag, lift, spin, each with its uncertainty."""
