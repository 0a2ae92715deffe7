"""Fastest legal build for the money over a measured mile on salt."""

__version__ = "0.1.0"
