"""`python -m logscope`."""

from logscope.cli import main

main()
