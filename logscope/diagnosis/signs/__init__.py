"""What findings show of their causes, one file a subject. A sign is seen, or absent where it was looked for."""
