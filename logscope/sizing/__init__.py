"""Sizing of a precharge circuit before anything is built: resistor, times, currents, energies."""
