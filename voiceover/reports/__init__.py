"""What is handed out: reports, cuts, captions, tables. Share-safe unless told otherwise."""
