"""The normalised vehicle state: what a source measured at one moment.

Everything is SI. Body axes are right-handed, x forward, y right, z down; earth axes are local level, x north, y east,
z down (ISO 1151-1). The attitude is a unit quaternion w, x, y, z that turns body axes into earth axes. Specific force
is what an accelerometer feels: (0, 0, -9.80665) m/s^2 at rest and level.
"""

import math

from . import adapter_pb2 as pb

# Every signal, by its name in the states table, which ends in its unit; the protocol says what each means.
SIGNALS = tuple(f.name for f in pb.State.DESCRIPTOR.fields if 10 <= f.number < 50)

# Signals that go together.
POSITION = ("position_n_m", "position_e_m", "position_d_m")
VELOCITY_BODY = ("velocity_x_m_s", "velocity_y_m_s", "velocity_z_m_s")
VELOCITY_EARTH = ("velocity_n_m_s", "velocity_e_m_s", "velocity_d_m_s")
ATTITUDE = ("attitude_w", "attitude_x", "attitude_y", "attitude_z")
ANGULAR_VELOCITY = ("angular_velocity_p_rad_s", "angular_velocity_q_rad_s", "angular_velocity_r_rad_s")
SPECIFIC_FORCE = ("specific_force_x_m_s2", "specific_force_y_m_s2", "specific_force_z_m_s2")

RUNNING, PAUSED, ABSENT = "running", "paused", "absent"

_CONDITIONS = {RUNNING: pb.CONDITION_RUNNING, PAUSED: pb.CONDITION_PAUSED, ABSENT: pb.CONDITION_ABSENT}


class State:
    """What was measured at source_time_ns, the source's own clock, and nothing else. A signal that the source does not
    give is absent: never zero, never a guess.

    values: signal to value, SI. condition: RUNNING, PAUSED or ABSENT. discontinuity: what follows does not continue what
    came before. observed_at_ns: when the bytes reached the adapter, unix ns; 0: when the state is sent. extra: further
    signals, name to (value, unit), at most 32.
    """

    __slots__ = ("source_time_ns", "observed_at_ns", "condition", "discontinuity", "values", "vehicle_name",
                 "vehicle_class", "extra")

    def __init__(self, source_time_ns):
        self.source_time_ns = int(source_time_ns)
        self.observed_at_ns = 0
        self.condition = RUNNING
        self.discontinuity = False
        self.values = {}
        self.vehicle_name = ""
        self.vehicle_class = ""
        self.extra = {}

    def put(self, signal, value):
        """Sets one signal, in SI units; on_ground takes True or False. A value that is not finite leaves it absent."""
        if signal not in _KNOWN:
            raise ValueError("%r is no signal of the states table" % (signal,))
        value = float(value)
        if math.isfinite(value):
            self.values[signal] = value

    def put_vector(self, signals, vector):
        """Sets signals that go together, such as VELOCITY_EARTH, from as many numbers."""
        for signal, value in zip(signals, vector):
            self.put(signal, value)

    def put_attitude(self, q):
        """Sets the attitude from a quaternion (w, x, y, z) that turns body axes into earth axes. It is normalised; one
        whose norm is not within a tenth of 1 is no attitude and leaves it absent."""
        n = math.sqrt(sum(c * c for c in q))
        if 0.9 < n < 1.1:
            self.put_vector(ATTITUDE, [c / n for c in q])

    def vector(self, signals):
        """The values of signals that go together, or None where one is absent."""
        if all(s in self.values for s in signals):
            return tuple(self.values[s] for s in signals)
        return None

    def attitude(self):
        """The quaternion (w, x, y, z), or None where it is absent."""
        return self.vector(ATTITUDE)

    def carry(self, older):
        """Gives this state what an older one holds and it does not, for when there is room for one state only."""
        cut = self.discontinuity
        self.discontinuity = self.discontinuity or older.discontinuity
        if self.condition != older.condition or self.condition == ABSENT or cut or older.source_time_ns > self.source_time_ns:
            return
        whole = any(s in self.values for s in ATTITUDE)
        for signal, value in older.values.items():
            if not (whole and signal in ATTITUDE):
                self.values.setdefault(signal, value)
        self.vehicle_name = self.vehicle_name or older.vehicle_name
        self.vehicle_class = self.vehicle_class or older.vehicle_class
        for name, value in older.extra.items():
            if len(self.extra) < 32:
                self.extra.setdefault(name, value)

    def copy(self):
        """A state of its own."""
        other = State(self.source_time_ns)
        for slot in State.__slots__:
            value = getattr(self, slot)
            setattr(other, slot, dict(value) if isinstance(value, dict) else value)
        return other

    def message(self):
        """The state as the protocol carries it. It checks nothing: the receiver does."""
        m = pb.State(source_time_ns=self.source_time_ns, observed_at_ns=self.observed_at_ns,
                     condition=_CONDITIONS[self.condition], discontinuity=self.discontinuity)
        for signal, value in self.values.items():
            setattr(m, signal, value != 0 if signal == "on_ground" else value)
        if self.vehicle_name:
            m.vehicle_name = self.vehicle_name
        if self.vehicle_class:
            m.vehicle_class = self.vehicle_class
        for name, (value, unit) in self.extra.items():
            m.channels.add(name=name, unit=unit, value=value)
        return m


_KNOWN = frozenset(SIGNALS)
