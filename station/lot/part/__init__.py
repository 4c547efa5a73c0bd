"""One part of a lot: what its alignment rests on, its runs, what it teaches the next."""
