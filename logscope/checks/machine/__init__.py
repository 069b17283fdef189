"""Where the motor works, and how well."""
