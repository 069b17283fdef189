"""The DC link: its voltage, precharge attempts, and the openings of its contactors."""
