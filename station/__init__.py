"""The application: configuration, runner, records, reports, command line."""
