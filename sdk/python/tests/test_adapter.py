"""What an adapter on this package does, without a host."""

import json
import logging
import os
import subprocess
import sys
import threading
import time
import unittest

import perch_adapter
from perch_adapter import ABSENT, ATTITUDE, Adapter, Sender, Setting, SourceError, State, Stop
from perch_adapter import INTEGER, STRING, VELOCITY_BODY, VELOCITY_EARTH, log, sender


def adapter(stream, **more):
    return Adapter("box", "0.1.0", "reads a box", ["engine_rpm"], stream, **more)


def at(ms, **values):
    state = State(ms * 1_000_000)
    for signal, value in values.items():
        state.put(signal, value)
    return state


class States(unittest.TestCase):
    def test_what_was_not_measured_is_absent(self):
        state = at(1, engine_rpm=800)
        state.put("airspeed_m_s", float("nan"))
        state.put_attitude((0, 0, 0, 0))
        message = state.message()
        self.assertEqual([f.name for f, _ in message.ListFields()], ["source_time_ns", "condition", "engine_rpm"])
        self.assertIsNone(state.attitude())

    def test_zero_and_false_are_values(self):
        message = at(1, engine_rpm=0, on_ground=False).message()
        self.assertTrue(message.HasField("engine_rpm") and message.HasField("on_ground"))
        self.assertIs(message.on_ground, False)

    def test_attitude_is_normalised(self):
        state = State(0)
        state.put_attitude((1.05, 0, 0, 0))
        self.assertEqual(state.attitude(), (1, 0, 0, 0))

    def test_a_wrong_name_is_refused(self):
        with self.assertRaisesRegex(ValueError, "engine_rps"):
            State(0).put("engine_rps", 1)

    def test_groups_are_signals(self):
        for group in (perch_adapter.POSITION, VELOCITY_BODY, VELOCITY_EARTH, ATTITUDE, perch_adapter.ANGULAR_VELOCITY,
                      perch_adapter.SPECIFIC_FORCE):
            self.assertLessEqual(set(group), set(perch_adapter.SIGNALS))


class Senders(unittest.TestCase):
    def test_an_absent_source_says_so_twice_a_second_unasked(self):
        out, times = Sender(), []
        threading.Timer(1.8, out.close).start()
        for state in out.states():
            self.assertEqual((state.condition, state.values), (ABSENT, {}))
            times.append(time.monotonic())
        self.assertTrue(3 <= len(times) <= 5, times)  # about 0, 0.5, 1, 1.5 s

    def test_a_slow_host_loses_no_kind_of_signal(self):
        out = Sender()
        out.send(at(0, engine_rpm=800))
        for n in range(1, 40):
            out.send(at(n, airspeed_m_s=n))
        out.close()
        states = list(out.states())
        self.assertEqual(len(states), sender.OUTBOX)
        self.assertEqual(states[0].values, {"engine_rpm": 800, "airspeed_m_s": 24})
        self.assertEqual(states[-1].values, {"airspeed_m_s": 39})

    def test_a_state_is_copied(self):
        out, state = Sender(), at(0, engine_rpm=800)
        out.send(state)
        state.put("engine_rpm", 900)
        out.close()
        self.assertEqual(next(out.states()).values, {"engine_rpm": 800})


class Run(unittest.TestCase):
    def test_states_in_order_and_stopped(self):
        def stream(stop, settings, out):
            for n in range(settings["first"], 1000):
                out.send(at(n, engine_rpm=n))
                if stop.wait(0.001):
                    closed.append(n)
                    return

        got, closed, stop = [], [], Stop()

        def deliver(state):
            if state.condition != ABSENT:
                got.append(state.values["engine_rpm"])
                if len(got) == 5:
                    stop.set()

        perch_adapter.run(adapter(stream, settings=[Setting("first", INTEGER, "First number.", default="7")]), {}, deliver, stop)
        self.assertEqual(got[:5], [7, 8, 9, 10, 11])
        self.assertEqual(len(closed), 1)

    def test_what_is_wrong_is_raised(self):
        def stream(stop, settings, out):
            raise SourceError("the port is taken: end the other program")

        with self.assertRaisesRegex(SourceError, "port is taken"):
            perch_adapter.run(adapter(stream), {}, lambda state: None)
        with self.assertRaisesRegex(SourceError, "takes no settings"):
            perch_adapter.run(adapter(stream), {"port": "1"}, lambda state: None)

    def test_a_stop_closes_what_a_read_waits_on(self):
        stop, closed = Stop(), []
        stop.then(lambda: closed.append(1))
        stop.set()
        stop.then(lambda: closed.append(2))
        self.assertEqual(closed, [1, 2])


class Descriptions(unittest.TestCase):
    def test_a_mistake_in_the_adapter_is_said(self):
        faulty = Adapter("Box", "", "", ["engine_rpm", "wing"], None, never=["engine_rpm"],
                         settings=[Setting("Key", STRING, ""), Setting("n", INTEGER, "", default="x"), Setting("n", 9, "")])
        text = "\n".join(faulty.faults())
        for part in ("'Box'", "no version", "'wing'", "both given and never", "Key a key is", 'n its default is "x"', "n is declared twice", "n has no type"):
            self.assertIn(part, text)

    def test_started_by_hand_it_says_what_it_is(self):
        program = "import perch_adapter as p; p.serve(p.Adapter('box', '0.1.0', 'reads a box', [], None))"
        env = {k: v for k, v in os.environ.items() if k != "PERCH_ADAPTER"}
        done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, env=env)
        self.assertEqual((done.returncode, done.stdout), (1, ""))
        self.assertIn("box 0.1.0: reads a box", done.stderr)
        self.assertIn("perch watch", done.stderr)


class Logs(unittest.TestCase):
    def test_a_line_is_an_object_that_the_host_reads(self):
        record = logging.getLogger("x").makeRecord("x", logging.WARNING, "f", 1, "lost %d\nlines", (3,), None, extra={"port": 7})
        line = log.Lines().format(record)
        self.assertNotIn("\n", line)
        got = json.loads(line)
        self.assertEqual((got["level"], got["msg"], got["port"]), ("WARN", "lost 3\nlines", 7))


if __name__ == "__main__":
    unittest.main()
