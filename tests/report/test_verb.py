"""`testbed report` makes page and summary again."""

import pytest

from testbed.cli.app import main


@pytest.mark.parametrize(("session", "word"), [("passed", "passed"), ("cut", "not passed")])
def test_report_makes_page_and_summary_again(sessions, capsys, session, word):
    folder = sessions(session)
    for name in ("report.html", "summary.json"):
        (folder / name).unlink(missing_ok=True)
    with pytest.raises(SystemExit) as ended:
        main(["report", str(folder)])
    assert ended.value.code == 0
    assert capsys.readouterr().out == f"{word}; report: {folder / 'report.html'}\n"
    assert (folder / "summary.json").exists()
    assert (folder / "report.html").exists()
