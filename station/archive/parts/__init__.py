"""One part's life in the archive: claimed, in hand, its steps, its one final record."""
