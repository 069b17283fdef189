"""Fields without a definition that behave like a part of the drive system."""
