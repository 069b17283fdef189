"""What several checks need to have seen of a capture, each by one piece of code."""
