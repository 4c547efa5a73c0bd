"""Whole alignments in one process on simulated benches: single runs, and campaigns of thousands.

Beside :mod:`station.demo` the only package of the station that knows the simulator.
"""
