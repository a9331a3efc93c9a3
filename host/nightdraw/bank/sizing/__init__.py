"""From wanted currents to a board: choice of values, their resistor packages, errors of the levels."""
