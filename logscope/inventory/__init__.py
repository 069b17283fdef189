"""What is in a log: buses, identifiers, periods, lengths, load, and what has no definition."""
