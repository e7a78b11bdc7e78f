"""What exists: vehicles, tables, cabins, beacons and noise, frozen, and the messages that pass between the parts."""
