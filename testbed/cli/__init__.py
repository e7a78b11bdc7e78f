"""The `testbed` command: one file per verb."""
