"""`python -m testbed`: the same as the `testbed` command."""

from testbed.cli.app import main

main()
