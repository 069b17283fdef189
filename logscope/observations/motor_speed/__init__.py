"""The motor speed: what the shaft can do, and where the reading is wrong."""
