"""Plans: what is to be flown, what would be wrong with it, the run sequence, and the one evaluation of criteria."""
