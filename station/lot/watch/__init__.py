"""What looks after the station while nobody does: alarms, the watchdog, the service manager."""
