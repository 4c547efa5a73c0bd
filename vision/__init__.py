"""Frames in, spots out: pure functions of arrays."""
