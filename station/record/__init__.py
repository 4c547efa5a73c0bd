"""What is kept of a run: the run folder, its record, and what the record adds up to."""

from station.record.folder import Record, new_run_folder, read_record, write_atomically
from station.record.history import History, LookPoint, history_of
from station.record.result import EXIT_BAD_INPUT, EXIT_STATUS, result_object

__all__ = [
    "EXIT_BAD_INPUT",
    "EXIT_STATUS",
    "History",
    "LookPoint",
    "Record",
    "history_of",
    "new_run_folder",
    "read_record",
    "result_object",
    "write_atomically",
]
