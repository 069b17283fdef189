"""A look at the signals of a log, each by itself or some of them on one time axis, before anything is mapped."""
