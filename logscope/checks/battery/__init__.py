"""The traction battery under load."""
