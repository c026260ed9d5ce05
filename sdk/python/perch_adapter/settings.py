"""Settings of an adapter: what it takes, and an operator's values checked against that."""

import json
import re
from decimal import Decimal

STRING, NUMBER, INTEGER, BOOLEAN, DURATION, CHOICE = range(1, 7)  # as on the wire

_NAMES = {STRING: "text", NUMBER: "number", INTEGER: "whole number", BOOLEAN: "true or false",
          DURATION: "length of time", CHOICE: "choice"}

_DIGITS = "[0-9](?:_?[0-9])*"
_NUMBER = re.compile(r"[-+]?(%s\.?(%s)?|\.%s)([eE][-+]?%s)?" % (_DIGITS, _DIGITS, _DIGITS, _DIGITS))
_INTEGER = re.compile(r"[-+]?[0-9]+")
_DURATION = re.compile(r"([0-9]+\.?[0-9]*|\.[0-9]+)(ns|us|µs|μs|ms|s|m|h)")
_SECONDS = {"ns": 1e-9, "us": 1e-6, "µs": 1e-6, "μs": 1e-6, "ms": 1e-3, "s": 1.0, "m": 60.0, "h": 3600.0}


class Setting:
    """One setting: key in lower case with underscores, as in --set key=value; type is one of STRING, NUMBER, INTEGER,
    BOOLEAN, DURATION, CHOICE; unit of a number; help, one sentence; default as text, "" for none; required: the operator
    must give it; minimum and maximum of a number, or of a duration in s; choices of a CHOICE."""

    def __init__(self, key, type, help, default="", unit="", required=False, minimum=None, maximum=None, choices=()):
        self.key, self.type, self.help, self.default, self.unit = key, type, help, default, unit
        self.required, self.minimum, self.maximum, self.choices = required, minimum, maximum, tuple(choices)

    def want(self):
        """Says what the setting takes."""
        if self.type == CHOICE:
            text = "give one of " + ", ".join(self.choices)
        elif self.type == DURATION:
            text = 'give a length of time such as "250ms" or "2s"'
        elif self.type == BOOLEAN:
            text = "give true or false"
        elif self.type in (NUMBER, INTEGER):
            text = "give a " + _NAMES[self.type] + (" in " + self.unit if self.unit else "")
        else:
            text = "give a text"
        bounded = True
        if self.minimum is not None and self.maximum is not None:
            text += ", from %s to %s" % (plain(self.minimum), plain(self.maximum))
        elif self.minimum is not None:
            text += ", at least " + plain(self.minimum)
        elif self.maximum is not None:
            text += ", at most " + plain(self.maximum)
        else:
            bounded = False
        return text + (" s" if bounded and self.type == DURATION else "")

    def read(self, text):
        """(value, what is wrong) of a text by the setting's type; the second is "" where it is right."""
        refused = None, "is %s: %s" % (quoted(text), self.want())
        if self.type == STRING:
            return text, ""
        if self.type == CHOICE:
            return (text, "") if text in self.choices else refused
        if self.type == BOOLEAN:
            return (text == "true", "") if text in ("true", "false") else refused
        if self.type == NUMBER and _NUMBER.fullmatch(text):
            value = float(text)
            if value in (float("inf"), float("-inf")):
                return refused
        elif self.type == INTEGER and _INTEGER.fullmatch(text) and -(2**52) <= int(text) < 2**52:
            value = int(text)
        elif self.type == DURATION:
            value = seconds(text)
            if value is None:
                return refused
        else:
            return refused
        if self.minimum is not None and value < self.minimum or self.maximum is not None and value > self.maximum:
            return refused
        return value, ""


class Settings:
    """An operator's settings, checked. settings["key"] is a str, float, int or bool by its type, a duration in s, and
    None where neither the operator nor a default gives it; a key that was not declared is a KeyError."""

    def __init__(self, values):
        self._values = values

    def __getitem__(self, key):
        if key not in self._values:
            raise KeyError("the adapter reads its setting %r, which its description does not declare" % key)
        return self._values[key]


def check(name, declared, raw):
    """(Settings, faults) of an operator's texts: everything that is wrong with them at once, as (key, message)."""
    values, faults = {}, []
    for x in declared:
        values[x.key] = None
        text = raw.get(x.key)
        if text is None:
            if x.required:
                faults.append((x.key, "is required: " + x.want()))
                continue
            if x.default == "":
                continue
            text = x.default
        values[x.key], wrong = x.read(text)
        if wrong:
            faults.append((x.key, wrong))
    for key in raw:
        if key not in values:
            faults.append((key, _unknown(name, declared, key)))
    return Settings(values), sorted(faults)


def _unknown(name, declared, key):
    if not declared:
        return "is unknown: %s takes no settings" % name
    best = min((x.key for x in declared), key=lambda k: distance(key, k))
    if distance(key, best) <= 1 + len(best) // 3:
        return "is unknown: did you mean %s?" % quoted(best)
    return "is unknown: it may be " + ", ".join(x.key for x in declared)


def seconds(text):
    """The length of time of a text such as "250ms" or "1m30s" in s, or None where it is none."""
    sign, rest = 1, text
    if rest[:1] in ("-", "+"):
        sign, rest = (-1 if rest[0] == "-" else 1), rest[1:]
    if rest == "0":
        return 0.0
    total, at = 0.0, 0
    while at < len(rest):
        part = _DURATION.match(rest, at)
        if not part:
            return None
        total += float(part[1]) * _SECONDS[part[2]]
        at = part.end()
    return sign * total if at > 0 else None


def quoted(text):
    """The text in double quotes, on one line."""
    return json.dumps(text, ensure_ascii=False)


def plain(v):
    """A number in the fewest digits that hold it, as the host prints it."""
    d = Decimal(repr(float(v))).normalize()
    if d == 0:
        return "0"
    if -4 <= d.adjusted() < 6:
        return format(d, "f")
    digits = "".join(map(str, d.as_tuple().digits))
    point = "." + digits[1:] if len(digits) > 1 else ""
    return "%s%s%se%+03d" % ("-" if d < 0 else "", digits[0], point, d.adjusted())


def distance(a, b):
    """The Levenshtein distance of two words."""
    row = list(range(len(b) + 1))
    for i, x in enumerate(a):
        diagonal, row[0] = row[0], i + 1
        for j, y in enumerate(b):
            diagonal, row[j + 1] = row[j + 1], min(row[j + 1] + 1, row[j] + 1, diagonal + (x != y))
    return row[len(b)]


def word(s, between):
    """Whether s is lower case letters, digits and the character between, a letter first."""
    return re.fullmatch("[a-z][a-z0-9%s]*" % re.escape(between), s, re.ASCII) is not None
