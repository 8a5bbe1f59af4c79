"""Shots -> consistency, drift, and what a change did."""
