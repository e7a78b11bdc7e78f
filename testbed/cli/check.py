"""`testbed check PLAN`: every problem of a plan and its files at once, before anything starts."""

from typing import Annotated

import typer


def check(
    plan: Annotated[str, typer.Argument(help="Plan file, or its name such as plans/demo.yaml.", show_default=False)],
) -> None:
    """Look for everything wrong with a plan and the files it names; exit code 2 if there is anything."""
    from testbed.description.errors import ConfigurationError
    from testbed.description.locate import locate
    from testbed.plan.check import check as problems_of
    from testbed.plan.checks.quiet import sentences as quiet_sentences
    from testbed.plan.configuration import load_configuration
    from testbed.plan.prospects import gas_prospects

    path = locate(plan)
    if problems := problems_of(path):
        raise ConfigurationError(problems)
    configuration = load_configuration(path)
    notes = *configuration.provenance, *gas_prospects(configuration), *quiet_sentences(configuration)
    for sentence in (*notes, *configuration.cautions):
        print(sentence)
    print(f"{path}: nothing wrong")
