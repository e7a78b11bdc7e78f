"""What exists: vehicles, tables, cabins, beacons and noise, as frozen dataclasses, and what passes between the parts."""
