"""Takes the states of one stream to the host."""

import collections
import threading
import time

from . import state as _state

OUTBOX = 16  # states that wait for a slow host: a third of a second at 50 Hz
HEARTBEAT = 0.5  # s, how often an absent source says so


class Sender:
    """Takes the states of one stream. Its methods never block and may be called from several threads.

    While the host is slow a few states wait. When there are too many, the oldest is merged into the one after it, so that
    a source that sends its signals in turns loses no kind of them.
    """

    def __init__(self):
        self._changed = threading.Condition()
        self._box = collections.deque()
        self._last = 0  # source time of the last state
        self._absent = True  # whether the last word was absent; until the first state it is said without being asked
        self._closed = False
        self.merged = 0

    def send(self, state):
        """Gives one state to the host. The state is copied. One without observed_at_ns gets the time of this call: set it
        from the moment of receiving where decoding takes long."""
        with self._changed:
            if self._closed:
                return
            self._absent = state.condition == _state.ABSENT
            self._last = state.source_time_ns
            self._put(state.copy())

    def absent(self):
        """Tells the host that there is no source at present. It is repeated twice a second until the next send."""
        with self._changed:
            if not self._closed and not self._absent:
                self._absent = True
                self._put(self._nothing())

    def close(self):
        """Ends the taking of states; what waits can still be taken."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()

    def states(self):
        """The states in order, until close; while the source is absent, a state that says so twice a second."""
        said = time.monotonic()
        with self._changed:
            if self._absent and not self._box:
                self._put(self._nothing())
        while True:
            with self._changed:
                if not self._box and not self._closed:
                    self._changed.wait(HEARTBEAT)
                if not self._box:
                    if self._closed:
                        return
                    if not self._absent or time.monotonic() - said < HEARTBEAT * 0.9:
                        continue
                    self._put(self._nothing())
                state = self._box.popleft()
            said = time.monotonic()
            yield state

    def _nothing(self):
        state = _state.State(self._last)
        state.condition = _state.ABSENT
        return state

    def _put(self, state):
        if state.observed_at_ns == 0:
            state.observed_at_ns = time.time_ns()
        self._box.append(state)
        if len(self._box) > OUTBOX:
            oldest = self._box.popleft()
            self._box[0].carry(oldest)
            self.merged += 1
        self._changed.notify()


class Stop(threading.Event):
    """Set when the stream is to end: is_set() and wait(seconds) as of every Event, and then(function) to close what a
    read waits on."""

    def __init__(self):
        super().__init__()
        self._lock, self._after = threading.Lock(), []

    def then(self, function):
        """Calls function once when the stream is to end, at once if it is already."""
        with self._lock:
            if not self.is_set():
                self._after.append(function)
                return
        function()

    def set(self):
        """Ends the stream."""
        with self._lock:
            super().set()
            after, self._after = self._after, []
        for function in after:
            function()
