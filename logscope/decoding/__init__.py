"""Decoding: from CAN frames in columns to one table of signal values for each message."""
