"""How a fault is found in a vehicle with a school's instruments: what shows, how long one searches."""
