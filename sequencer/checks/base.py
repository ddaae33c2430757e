"""What a check of one's own is made of: the public names, for packages that install checks.

Shipped checks import these from the files where they stand.
"""

from sequencer.checks.check import AnyCheck, Check, Side
from sequencer.checks.finding import Conditions, Demand, Finding, KeptFile
from sequencer.checks.settings import SOME, ChannelNumber, CheckSettings
from sequencer.checks.shared.asked.limits import LevelLimit, PowerLimit
from sequencer.checks.shared.budgets.parts import HalfWidth, Parts
from sequencer.checks.shared.readings.settle import settle

__all__ = [
    "SOME",
    "AnyCheck",
    "ChannelNumber",
    "Check",
    "CheckSettings",
    "Conditions",
    "Demand",
    "Finding",
    "HalfWidth",
    "KeptFile",
    "LevelLimit",
    "Parts",
    "PowerLimit",
    "Side",
    "settle",
]
