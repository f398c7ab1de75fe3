"""Who may see and write on the pages: people, roles, sessions, lock-out, and what became of it."""
