"""Who may see and do what: people, their sessions, tokens for programs, and a record of it."""
