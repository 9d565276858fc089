"""The sections of the page, one a file: each returns escaped HTML of a subject."""
