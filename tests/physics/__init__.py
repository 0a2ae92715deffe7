"""Tests of the physics formulas against published values."""
