"""A shelf of logs: hundreds or thousands, each checked in a process of its own, the results kept as Parquet."""
