"""Pure: which alarms there are, how each lives (ISA-18.2), and what is said to people about it."""
