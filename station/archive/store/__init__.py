"""Where the archive is kept: connections, tables, guards against change, and upgrades from older versions."""
