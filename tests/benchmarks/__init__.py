"""Measurements, not tests: each prints JSON."""
