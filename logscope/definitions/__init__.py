"""Signal definitions: what the bytes of a message mean, read from the user's definition files."""
