"""What is kept: the journal of events and alarms, the archive of readings, and reading both."""
