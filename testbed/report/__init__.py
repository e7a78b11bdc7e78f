"""Reports: what a recording shows, as one page and as a summary for programs."""

from testbed.report.page import make_report
from testbed.report.summary import summarise

__all__ = ["make_report", "summarise"]
