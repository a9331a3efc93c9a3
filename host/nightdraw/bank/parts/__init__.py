"""Parts that can be bought, as data with sources: resistor packages and values, blade fuses, enclosures."""
