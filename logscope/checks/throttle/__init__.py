"""The accelerator pedal's signals."""
