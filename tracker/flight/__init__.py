"""Metres and seconds -> launch: exit speed, angle, drag, lift and spin with their uncertainties."""
