"""Migrations of the archive; they ship inside the package."""
