"""The way from the shaft to the road: judder, backlash, wheel slip."""
