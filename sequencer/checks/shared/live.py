"""The same as `sequencer.checks.live`, under its first name."""

from sequencer.checks.live import Aim, LivePerson, LiveStart, LiveView, Press, Way

__all__ = ["Aim", "LivePerson", "LiveStart", "LiveView", "Press", "Way"]
