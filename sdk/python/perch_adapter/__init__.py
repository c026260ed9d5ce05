"""What an adapter author imports: describe the source, write one function that streams states, and call serve.

An adapter is a program of its own. The host starts it, checks the operator's settings against the description, opens the
stream, and sets its stop to close the source. Everything is SI and in the axes of module state; axes and units convert.
"""

import sys

try:
    import grpc as _grpc  # noqa: F401
    import google.protobuf as _protobuf  # noqa: F401
except ImportError as missing:
    sys.exit("this adapter needs %s for %s: apt-get install python3-grpcio python3-protobuf python3-cryptography, or "
             "python3 -m pip install grpcio protobuf cryptography" % (missing.name, sys.executable))

from . import axes, certificate, udp, units
from .adapter import Adapter, SourceError
from .sender import Sender, Stop
from .serve import run, serve
from .settings import BOOLEAN, CHOICE, DURATION, INTEGER, NUMBER, STRING, Setting, Settings
from .state import (ABSENT, ANGULAR_VELOCITY, ATTITUDE, PAUSED, POSITION, RUNNING, SIGNALS, SPECIFIC_FORCE, VELOCITY_BODY,
                    VELOCITY_EARTH, State)

__all__ = [
    "ABSENT", "ANGULAR_VELOCITY", "ATTITUDE", "Adapter", "BOOLEAN", "CHOICE", "DURATION", "INTEGER", "NUMBER", "PAUSED",
    "POSITION", "RUNNING", "SIGNALS", "SPECIFIC_FORCE", "STRING", "Sender", "Setting", "Settings", "SourceError", "State",
    "Stop", "VELOCITY_BODY", "VELOCITY_EARTH", "axes", "certificate", "run", "serve", "udp", "units",
]
