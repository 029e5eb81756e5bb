"""The library on disk: breakdowns, players, corrections, jobs in SQLite, and media by their content."""
