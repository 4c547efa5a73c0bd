"""One file for each revision, frozen: a revision never changes after it was released."""
