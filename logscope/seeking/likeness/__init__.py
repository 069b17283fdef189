"""How a part behaves, one file a family of parts: a score from 0 to 1 for each field, and what chance would give."""
