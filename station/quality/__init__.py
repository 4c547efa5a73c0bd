"""Quality figures of a process: charts, capability, measurement-system study, beam stability, drift, reports.

Pure functions of arrays; nothing here reads a clock, a file or the archive.
"""
