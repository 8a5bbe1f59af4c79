"""TOML text -> Setup."""

from tracker.setup_file.read import parse_setup, read_setup
from tracker.setup_file.template import template, write_template

__all__ = ["parse_setup", "read_setup", "template", "write_template"]
