"""The fields of a log in the order of their likeness to a part, one file a family of parts."""
