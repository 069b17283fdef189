"""What is said before a recording begins."""

CAUTIONS = (
    "High voltage kills. Lay laptop, adapters and leads away from high-voltage parts, and secure them before driving. "
    "Somebody other than the driver looks at the screen.",
    "A laptop on a mains charger, or with its adapters on ground, can carry a fault of the vehicle's isolation to your "
    "hands: run it from its battery, and use isolated adapters.",
    "A reading proves nothing dead. “Below 60 V by reading” is a number from a controller; only a rated tester, in "
    "trained hands and under local rules, shows that a link is dead.",
    "Connect before the key is turned: opening a serial port raises its control lines, at which some controllers "
    "restart.",
)
