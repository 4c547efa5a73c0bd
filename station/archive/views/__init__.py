"""What is read from many records: reports, series, exports, and whether the records are still true."""
