"""Words, numbers and dates in the reader's language; tables and files keep their English ones."""
