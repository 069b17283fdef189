"""How the current or torque loop follows its target."""
