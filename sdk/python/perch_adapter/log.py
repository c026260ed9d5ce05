"""Logs as the host reads them: one JSON object a line on stderr, with time, level and msg."""

import datetime
import json
import logging
import sys

_LEVELS = ((logging.ERROR, "ERROR"), (logging.WARNING, "WARN"), (logging.INFO, "INFO"))
_PLAIN = frozenset(vars(logging.makeLogRecord({}))) | {"message", "asctime"}


class Lines(logging.Formatter):
    """Makes one line of a record; what extra= adds becomes attributes, an exception the attribute stack."""

    def format(self, record):
        line = {
            "time": datetime.datetime.fromtimestamp(record.created, datetime.timezone.utc).isoformat(),
            "level": next((name for level, name in _LEVELS if record.levelno >= level), "DEBUG"),
            "msg": record.getMessage(),
        }
        for key, value in vars(record).items():
            if key not in _PLAIN:
                line[key] = value
        if record.exc_info:
            line["stack"] = self.formatException(record.exc_info)
        return json.dumps(line, default=str)


def to_host():
    """Sends everything that is logged through package logging to the host."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(Lines())
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(logging.DEBUG)
    logging.getLogger("grpc").setLevel(logging.WARNING)
