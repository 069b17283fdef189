"""Inventory, draft, trend, shelf and their like as functions of paths, for commands and Python; a file a task."""
