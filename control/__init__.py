"""Given what was seen, says what to do next. Pure: no I/O, no clock."""
