"""The figures of a report, one file each; each function returns a Figure."""
