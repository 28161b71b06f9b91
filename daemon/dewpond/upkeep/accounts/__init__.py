"""Water accounts: litres and money, what they are held against, bills, faults, rules kept, and the pages of all that.

``report`` and ``week_told`` turn records into plain JSON, ``report_page``, ``week_page`` and ``account_csv`` turn that
into something to read. All are pure; ``account_desk`` is the way people ask for them.
"""

from dewpond.upkeep.accounts.account_csv import account_csv
from dewpond.upkeep.accounts.records import Fault, ReadRecords, Records, nothing_kept
from dewpond.upkeep.accounts.report import Agreed, report
from dewpond.upkeep.accounts.report_page import report_page
from dewpond.upkeep.accounts.week import week_of, week_told
from dewpond.upkeep.accounts.week_page import week_page

__all__ = [
    "Agreed",
    "Fault",
    "ReadRecords",
    "Records",
    "account_csv",
    "nothing_kept",
    "report",
    "report_page",
    "week_of",
    "week_page",
    "week_told",
]
