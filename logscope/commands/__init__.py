"""The commands: each takes its arguments, runs the pipeline and tells what came of it.

Heavy modules are imported where they are used, so that help and errors come at once.
"""
