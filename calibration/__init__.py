"""Pixels and file times -> metres and seconds, with what is not known about them."""
