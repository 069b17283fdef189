"""A first vehicle file, drafted from definitions and a log: each part with the reason for it."""
