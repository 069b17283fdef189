"""What can be wrong, one file a subject: how often a cause shows each sign, what decides, what to do."""
