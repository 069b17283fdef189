"""The checks: each takes signals and a vehicle and returns findings. No files, no printing, no drawing."""
