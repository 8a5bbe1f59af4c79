"""Strips -> the spin that marks on the ball show."""
