"""The logs of a project over its life: one row a log, key measures, what was changed; kept for the next time."""
