"""What an adapter is: a description and one function."""

import math

from . import adapter_pb2 as pb
from . import settings as _settings
from . import state as _state


class SourceError(Exception):
    """What an operator must mend before the source can be read: say what is wrong and the remedy."""


class Adapter:
    """A description and one function.

    name: lower case, as typed by an operator. version: semantic version. summary: one sentence, what it reads. signals:
    names of the states table that it can give; never: those that this source can never give. nominal_rate: Hz, 0 where
    it varies. settings: a list of Setting. check(settings), where given, returns (key, message) of what the description
    alone cannot find; it opens nothing.

    stream(stop, settings, out) opens the source and sends what it measures through out until stop is set. While the
    source is absent it keeps looking; it raises SourceError or OSError only for what an operator must mend.
    """

    def __init__(self, name, version, summary, signals, stream, never=(), nominal_rate=0.0, settings=(), check=None):
        self.name, self.version, self.summary, self.stream = name, version, summary, stream
        self.signals, self.never, self.nominal_rate = tuple(signals), tuple(never), nominal_rate
        self.settings, self._check = tuple(settings), check

    def check(self, raw):
        """(Settings, faults) of an operator's texts, by the description and then by the adapter's own check."""
        settings, faults = _settings.check(self.name, self.settings, raw)
        if not faults and self._check is not None:
            faults = list(self._check(settings) or ())
        return settings, faults

    def faults(self):
        """What is wrong with the description itself, one line each: a mistake in the adapter."""
        lines = []
        if not _settings.word(self.name, "-"):
            lines.append("the adapter's name is %r: lower case letters, digits and hyphens, a letter first" % self.name)
        if not self.version:
            lines.append("the adapter has no version")
        if not (self.nominal_rate >= 0 and math.isfinite(self.nominal_rate)):
            lines.append("the nominal rate is %g Hz: give 0 where it varies" % self.nominal_rate)
        for x in self.signals + self.never:
            if x not in _state.SIGNALS:
                lines.append("signal %r is none of the states table" % (x,))
        for x in self.signals:
            if x in self.never:
                lines.append("signal %s is both given and never given" % x)
        seen = set()
        for x in self.settings:
            if not _settings.word(x.key, "_"):
                lines.append("%s a key is lower case letters, digits and underscores, a letter first" % x.key)
            if x.key in seen:
                lines.append("%s is declared twice" % x.key)
            seen.add(x.key)
            if x.type not in range(_settings.STRING, _settings.CHOICE + 1):
                lines.append("%s has no type" % x.key)
            elif x.type == _settings.CHOICE and not x.choices:
                lines.append("%s is a choice of nothing" % x.key)
            elif x.required and x.default != "":
                lines.append("%s is required and has a default: one of the two" % x.key)
            elif x.default != "":
                _, wrong = x.read(x.default)
                if wrong:
                    lines.append("%s its default %s" % (x.key, wrong))
        return lines

    def message(self):
        """The description as the protocol carries it."""
        m = pb.DescribeResponse(name=self.name, version=self.version, summary=self.summary, signals=self.signals,
                                never_signals=self.never)
        if self.nominal_rate > 0:
            m.nominal_rate_hz = self.nominal_rate
        for x in self.settings:
            s = m.settings.add(key=x.key, type=x.type, help=x.help, required=x.required, choices=x.choices)
            if x.unit:
                s.unit = x.unit
            if x.default != "":
                s.default_value = x.default
            if x.minimum is not None:
                s.minimum = x.minimum
            if x.maximum is not None:
                s.maximum = x.maximum
        return m
