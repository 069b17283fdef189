"""The cooling check: does the heat get out, how far is it to the limits, and can the sensors be believed?

Each temperature is fitted as one body that gives its heat to the coolant, or to surroundings that stay as they are,
whichever explains the log better; what heats it goes in any share with the current and with its square, or is loss or
power where that is all there is (`response`). Whether coolant flows is judged from the balance of a body over short
windows: how fast it falls back to the coolant for each kelvin above it (`flow`). Where inlet and outlet are both
measured, the heat that there was bounds the flow from above (`balance`). Pump, sensors and derating are judged by
themselves (`pump`, `sensors`, `derating`). A temperature that cannot be right, in its unit or its offset of 40 K, is in
doubt before: see `plausibility`.
"""
