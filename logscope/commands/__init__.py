"""The commands: each takes its arguments, runs the pipeline and shows the outcome.

Heavy modules are imported where they are used, so that help and errors come at once.
"""
