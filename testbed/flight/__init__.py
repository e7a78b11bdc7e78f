"""What would be uplinked: estimation, guidance, allocation, modulation, guard; it knows only what is believed."""
