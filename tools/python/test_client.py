# Long because the fakes of the bench, the line and the machine stand beside the tests that use them.
"""Tests of plantstand_client.py and step_and_back_off.py: python3 -m unittest discover tools/python

The client's frames are compared with tests/data/frames.json, which the bench's own code renders. Client and method
then run over loopback against a small fake bench in this file: one mass, dry friction, a constant weight, a PI
drive. What it does not: stand for the bench; what the real one answers is tested there.
"""

import contextlib
import hmac
import io
import json
import math
import os
import random
import select
import socket
import struct
import threading
import tty
import unittest
from pathlib import Path
from unittest import mock

import plantstand_client as wire
import step_and_back_off

DATA = Path(__file__).resolve().parents[2] / "tests" / "data"
FRAMES, SEALED = DATA / "frames.json", DATA / "sealed.json"
TOKEN = "00112233445566778899aabbccddeeff"
RPM = math.pi / 30.0


class Machine:
    """One mass behind a drive with a PI speed loop, one tick of delay, a torque low-pass and a torque limit."""

    COUNTS_PER_TURN = 100_000

    def __init__(self, inertia_kgm2=1e-3, friction_nm=0.1, weight_nm=0.2, sensor_sign=1, tick_hz=4000):
        self.inertia_kgm2, self.friction_nm, self.weight_nm = inertia_kgm2, friction_nm, weight_nm
        self.sensor_sign, self.period_s = sensor_sign, 1.0 / tick_hz
        self.state, self.trip, self.last_word, self.pressed = "switch on disabled", 0, 0, False
        self.angle_rad, self.speed_rad_per_s, self.torque_nm = 0.0, 0.0, 0.0
        self.integral_nm, self.filtered_nm, self.counts = 0.0, 0.0, 0
        self.noise = random.Random(1)
        self.angles_deg = [0.0]
        self.settings = {"speed_gain_nms_per_rad": 0.02, "speed_reset_time_s": 0.2, "torque_limit_nm": 3.0,
                         "torque_lowpass_hz": 0.0, "speed_limit_rpm": 2000.0, "rated_torque_nm": 2.0,
                         "motor_inertia_kgm2": 2e-4, "counts_per_turn": float(self.COUNTS_PER_TURN), "gear_ratio": 10.0,
                         "angle_zero_counts": 0.0}
        self.stored = dict(self.settings)

    def statusword(self):
        words = {"switch on disabled": 0x270, "ready to switch on": 0x231, "switched on": 0x233,
                 "operation enabled": 0x237, "fault": 0x238}
        return words[self.state] | (0x100 if self.pressed else 0)

    def tick(self, controlword, value):
        self._walk(controlword)
        self._physics()
        turns = self.sensor_sign * self.angle_rad / (2.0 * math.pi)
        counts = round(turns * self.COUNTS_PER_TURN + self.noise.gauss(0.0, 0.3))
        measured = (counts - self.counts) / self.period_s * 2.0 * math.pi / self.COUNTS_PER_TURN
        self.counts = counts
        setpoint = value.speed_rad_per_s + value.speed_offset_rad_per_s
        controller = self._speed_loop(setpoint, measured, value.torque_offset_nm)
        if self.settings["speed_limit_rpm"] * RPM < abs(self.speed_rad_per_s) and self.state == "operation enabled":
            self.state, self.trip = "fault", 1
        return wire.Sample(counts, setpoint, measured, controller, controller + value.torque_offset_nm, self.torque_nm)

    def _walk(self, word):
        if self.pressed:
            self.state = "switch on disabled"
            return
        nexts = {("switch on disabled", 6): "ready to switch on", ("ready to switch on", 7): "switched on",
                 ("switched on", 15): "operation enabled", ("operation enabled", 6): "ready to switch on",
                 ("operation enabled", 2): "switch on disabled", ("operation enabled", 0): "switch on disabled"}
        self.state = nexts.get((self.state, word & 0x0F), self.state)
        if self.state == "fault" and word & ~self.last_word & 0x80:
            self.state, self.trip = "switch on disabled", 0
        self.last_word = word

    def _physics(self):
        if self.state != "operation enabled":
            self.speed_rad_per_s = 0.0  # clamped when off
            return
        drive_nm = self.torque_nm - self.weight_nm
        if self.speed_rad_per_s == 0.0 and abs(drive_nm) <= self.friction_nm:
            return
        direction = math.copysign(1.0, self.speed_rad_per_s or drive_nm)
        before = self.speed_rad_per_s
        self.speed_rad_per_s += (drive_nm - direction * self.friction_nm) / self.inertia_kgm2 * self.period_s
        if before * self.speed_rad_per_s < 0.0:
            self.speed_rad_per_s = 0.0
        self.angle_rad += (before + self.speed_rad_per_s) / 2.0 * self.period_s
        self.angles_deg.append(math.degrees(self.angle_rad) / self.settings["gear_ratio"])

    def _speed_loop(self, setpoint, measured, offset_nm):
        if self.state != "operation enabled":
            self.integral_nm = self.filtered_nm = self.torque_nm = 0.0
            return 0.0
        gain, reset_s, limit = (self.settings[name] for name in ("speed_gain_nms_per_rad", "speed_reset_time_s",
                                                                  "torque_limit_nm"))
        error = setpoint - measured
        integral_nm = self.integral_nm + gain * error * self.period_s / reset_s
        controller = gain * error + integral_nm
        lowpass_hz = self.settings["torque_lowpass_hz"]
        share = math.exp(-2.0 * math.pi * lowpass_hz * self.period_s) if lowpass_hz else 0.0
        self.filtered_nm = share * self.filtered_nm + (1.0 - share) * (controller + offset_nm)
        if abs(self.filtered_nm) <= limit or error * self.filtered_nm < 0.0:
            self.integral_nm = integral_nm
        self.torque_nm = max(-limit, min(limit, self.filtered_nm))
        return controller


class FakeBench(threading.Thread):
    """Serves one client, then ends. lose: which of its own and the client's frames get lost, counted from 1."""

    def __init__(self, machine, lose=(), refuse=False, tick_hz=4000, stride=8):
        super().__init__(daemon=True)
        self.machine, self.lose, self.refuse, self.stride = machine, set(lose), refuse, stride
        self.listening = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.listening.bind(("127.0.0.1", 0))
        self.session = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.session.bind(("127.0.0.1", 0))
        self.link = "udp:127.0.0.1:%d" % self.listening.getsockname()[1]
        self.sequence, self.frames, self.answers, self.log = 0, 0, {}, []
        self.finished, self.was_enabled, self.closed = False, False, None
        self.facts = dict(port=self.session.getsockname()[1], version_min=1, version_max=1, commands=1, pace=1,
                          tick_hz=tick_hz, stride_ticks=stride, endless=False, travel_min_deg=-400.0,
                          travel_max_deg=400.0, window_min_deg=-300.0, window_max_deg=300.0, path_deg=20_000.0,
                          max_speed_rad_per_s=2500 * RPM, time_s=60.0, nonce=5, title="one mass")

    def send(self, to, kind, via=None, **fields):
        self.sequence += 1
        frame = wire.encode(kind, self.sequence, **fields)
        self.send_bytes(to, frame, via)
        return frame

    def send_bytes(self, to, frame, via=None):
        self.frames += 1
        if self.frames not in self.lose:
            (via or self.session).sendto(frame, to)

    def run(self):
        with self.listening, self.session:
            client = self._listen()
            if client is not None:
                self._serve(client)

    def _serve(self, client):
        self.session.settimeout(0.1)
        value, last_answered, exchange, word = wire.Value(), -1, 0, 0
        self.send(client, "probe", nonce=9)
        self.send_bytes(client, b"garbage")
        waiting = self._feedback(client, exchange, word, [value])
        while self.closed is None:
            try:
                data, client = self.session.recvfrom(4096)
            except socket.timeout:
                if not self.finished:
                    self.send_bytes(client, waiting)
                continue
            self.frames += 1
            if self.frames in self.lose:
                continue
            kind, sequence, fields = wire.decode(data)
            if kind == "command" and fields["exchange"] == exchange and not self.finished:
                values = fields["values"] or [value]
                value, word, exchange = values[-1], fields["controlword"], exchange + 1
                waiting = self._feedback(client, exchange, word, values)
            elif kind not in ("command", "echo"):
                self._request(client, kind, sequence, fields)

    def _listen(self):
        self.listening.settimeout(5.0)
        while True:
            data, client = self.listening.recvfrom(4096)
            _, _, fields = wire.decode(data)
            if self.refuse or fields["token"].hex() != TOKEN:
                self.send(client, "refuse", self.listening, reason=2, version_min=1, version_max=1,
                          detail="wrong token")
                return None
            self.frames += 1
            if self.frames not in self.lose:
                self.send(client, "accept", self.listening, **self.facts)
                return client

    def _feedback(self, client, exchange, word, values):
        per_tick = values if len(values) == self.stride else values[-1:] * self.stride
        samples = [self.machine.tick(word, value) for value in per_tick]
        self.was_enabled |= self.machine.state == "operation enabled"
        return self.send(client, "feedback", exchange=exchange, first_tick=exchange * self.stride,
                         trip=self.machine.trip, statusword=self.machine.statusword(), samples=samples)

    def _request(self, client, kind, sequence, fields):
        names = list(self.machine.settings)
        if sequence in self.answers:
            self.send_bytes(client, self.answers[sequence])
        elif kind == "setting_list":
            name = names[fields["index"]]
            self.answers[sequence] = self.send(
                client, "setting_row", request=sequence, index=fields["index"], total=len(names),
                number=fields["index"] + 1, writable_while_enabled=True, low=-1e9, high=1e9,
                value=self.machine.settings[name], default=0.0, name=name, unit="")
        elif kind in ("setting_read", "setting_write"):
            name = names[fields["number"] - 1]
            outcome = 2 if kind == "setting_write" and fields["value"] < 0.0 else 0
            if kind == "setting_write" and outcome == 0:
                self.machine.settings[name] = fields["value"]
            self._answer(client, sequence, fields["number"], outcome, self.machine.settings[name])
        elif kind == "store":
            self.machine.stored = dict(self.machine.settings)
            self._answer(client, sequence, 0, 0, 0.0)
        elif kind == "hand_action":
            action = fields["action"]
            # 2 uncouple at an axis that moves, 3 and 4 the emergency stop, 9 the lever of a brake that is not there.
            self.machine.pressed = {3: True, 4: False}.get(action, self.machine.pressed)
            outcome = {2: 1, 9: 4}.get(action, 0)
            self.answers[sequence] = self.send(client, "hand_answer", request=sequence, outcome=outcome)
        elif kind == "log":
            self.log.append(fields["text"])
        elif kind == "done":
            self.finished = True
            self.send(client, "phase", phase=2, corner=0)
            self.answers[sequence] = self.send(client, "result", verdict=1, grade_percent=50.0, text="every limit held")
        elif kind == "close":
            self.closed = fields["reason"]

    def _answer(self, client, sequence, number, outcome, value):
        self.answers[sequence] = self.send(client, "setting_answer", request=sequence, number=number, outcome=outcome,
                                           value=value)


class Frames(unittest.TestCase):
    def test_every_sample_frame_reads_as_the_bench_wrote_it_and_encodes_to_the_same_bytes(self):
        frames = json.loads(FRAMES.read_text(encoding="utf-8"))["frames"]
        self.assertEqual({frame["kind"] for frame in frames}, set(wire.KINDS))
        for frame in frames:
            with self.subTest(frame["name"]):
                data = bytes.fromhex(frame["hex"])
                kind, sequence, fields = wire.decode(data)
                self.assertEqual((kind, sequence), (frame["kind"], frame["fields"]["sequence"]))
                self.assertEqual(wire.encode(kind, sequence, **fields), data)
                self.check_fields(fields, frame["fields"])

    def check_fields(self, found, expected):
        for name, value in found.items():
            if name in ("samples", "values"):
                for place, item in enumerate(value):
                    for part, number in item._asdict().items():
                        self.assertEqual(number, expected[f"{name[:-1]} {place} {part}"])
            else:
                self.assertEqual(value.hex() if name == "token" else value, expected[name], name)

    def test_every_flipped_bit_of_a_frame_is_refused(self):
        frame = wire.encode("log", 7, text="a line")
        for bit in range(8 * len(frame)):
            flipped = bytearray(frame)
            flipped[bit // 8] ^= 1 << bit % 8
            with self.assertRaises(wire.Malformed):
                wire.decode(bytes(flipped))

    def test_texts_are_cut_at_a_whole_character_and_kept_on_one_line(self):
        self.assertEqual(wire.as_text("two\nlines"), "two lines")
        self.assertEqual(wire.as_text("x" + "ä" * 150), "x" + "ä" * 99)

    def test_links_are_read_and_wrong_ones_refused(self):
        self.assertEqual(wire.parse_link("udp:127.0.0.1:7000"), ("udp", "127.0.0.1", 7000))
        self.assertEqual(wire.parse_link("udp:[::1]:7000"), ("udp", "::1", 7000))
        self.assertEqual(wire.parse_link("sealed-udp:127.0.0.1:7000"), ("sealed-udp", "127.0.0.1", 7000))
        self.assertEqual(wire.parse_link("sealed-udp:[::1]:7000"), ("sealed-udp", "::1", 7000))
        self.assertEqual(wire.parse_link("serial:/dev/ttyACM0:115200"), ("serial", "/dev/ttyACM0", 115200))
        self.assertEqual(wire.parse_link("serial:/dev/by-path/a:1.0:9600"), ("serial", "/dev/by-path/a:1.0", 9600))
        for link in ("serial:/dev/ttyACM0", "serial::9600", "tcp:host:1", "udp:7000", "udp:host:port", ""):
            with self.assertRaises(wire.LinkError):
                wire.parse_link(link)


class Seal(unittest.TestCase):
    """The bench's sealed frames, reckoned again with Python's own hmac."""

    def setUp(self):
        self.file = json.loads(SEALED.read_text(encoding="utf-8"))
        self.key, self.challenge = bytes.fromhex(self.file["token"]), bytes.fromhex(self.file["challenge"])

    def test_sealed_frames_are_those_of_the_bench(self):
        self.assertLess(4, len(self.file["frames"]))
        for frame in self.file["frames"]:
            with self.subTest(frame["name"]):
                plain, sealed = bytes.fromhex(frame["plain"]), bytes.fromhex(frame["sealed"])
                over = sealed[:-20] + bytes([frame["direction"]]) + self.challenge + struct.pack("<Q", frame["nonce"])
                self.assertEqual(hmac.new(self.key, over, "sha256").digest()[:16], sealed[-20:-4])
                around = (self.key, frame["direction"], self.challenge, frame["nonce"])
                self.assertEqual(wire.seal(plain, *around, frame["counter"]), sealed)
                self.assertEqual(wire.unseal(sealed, *around), (frame["counter"], plain))
                for key, direction in ((bytes(16), frame["direction"]), (self.key, 3 - frame["direction"])):
                    with self.assertRaisesRegex(wire.Malformed, "mac"):
                        wire.unseal(sealed, key, direction, *around[2:])

    def test_each_counter_is_taken_once_and_old_ones_never(self):
        client = wire.Channel(self.key, self.challenge, 5)
        frame = wire.encode("done", 3)

        def taken(counter):
            try:
                return client.unseal(wire.seal(frame, self.key, wire.TO_CLIENT, self.challenge, 5, counter)) == frame
            except wire.Malformed as reason:
                self.assertEqual(str(reason), "replayed")
                return False

        counters = [0, 1, 1, 3, 2, 2, 100, 36, 37, 37, 3]
        self.assertEqual([taken(counter) for counter in counters],
                         [False, True, False, True, True, False, True, False, True, False, False])
        self.assertNotEqual(client.seal(frame), client.seal(frame))

    def test_plain_and_cut_frames_are_refused(self):
        sealed = bytes.fromhex(self.file["frames"][0]["sealed"])
        around = (self.key, 1, self.challenge, 0)
        with self.assertRaisesRegex(wire.Malformed, "not_sealed"):
            wire.unseal(bytes.fromhex(self.file["frames"][0]["plain"]), *around)
        for length in range(len(sealed)):
            with self.assertRaises(wire.Malformed):
                wire.unseal(sealed[:length], *around)


class Stream(unittest.TestCase):
    def test_frames_are_stuffed_and_unstuffed_as_the_check_values_say(self):
        rows = json.loads((DATA / "check-values.json").read_text(encoding="utf-8"))["rows"]
        rows = [row for row in rows if row["id"].startswith("cobs-")]
        self.assertEqual(len(rows), 13)
        for row in rows:
            with self.subTest(row["id"]):
                plain, stuffed = bytes.fromhex(row["inputs"]["bytes_hex"]), bytes.fromhex(row["expected"])
                self.assertEqual(wire.stuff(plain), b"\0" + stuffed + b"\0")
                self.assertEqual(list(wire.Unstuffer().frames(stuffed + b"\0")), [plain])
        block = bytes([7]) * 254
        self.assertEqual(list(wire.Unstuffer().frames(b"\xff" + block + b"\x01\0")), [block])

    def test_frames_come_out_of_any_pieces_and_what_is_none_is_dropped_and_counted(self):
        frames = [bytes.fromhex(frame["hex"]) for frame in json.loads(FRAMES.read_text(encoding="utf-8"))["frames"]]
        stream = b"boot\r\n" + b"".join(map(wire.stuff, frames)) + b"\x09cut" + wire.stuff(b"whole") + b"\x01" * 9999
        stream += wire.stuff(b"last")
        for size in (1, 2, 7, 255, len(stream)):
            unstuffer = wire.Unstuffer()
            pieces = (stream[place:place + size] for place in range(0, len(stream), size))
            self.assertEqual([frame for piece in pieces for frame in unstuffer.frames(piece)],
                             frames + [b"whole", b"last"])
            self.assertEqual(unstuffer.dropped, 3)


class Cable(threading.Thread):
    """A pseudo-terminal whose far end is a link over UDP: what comes on either side is passed on, stuffed or not."""

    def __init__(self, link):
        super().__init__(daemon=True)
        self.ours, self.theirs = os.openpty()
        tty.setraw(self.theirs)
        self.link = f"serial:{os.ttyname(self.theirs)}:115200"
        _, host, port = wire.parse_link(link)
        self.listening, self.socket = (host, port), socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.socket.bind((host, 0))
        self.done = threading.Event()

    def run(self):
        unstuffer, target = wire.Unstuffer(), self.listening
        os.write(self.ours, b"boot loader 1\r\n")
        while not self.done.is_set():
            ready, _, _ = select.select([self.ours, self.socket], [], [], 0.02)
            if self.ours in ready:
                for frame in unstuffer.frames(os.read(self.ours, 4096)):
                    self.socket.sendto(frame, target)
            if self.socket in ready:
                frame = self.socket.recv(4096)
                with contextlib.suppress(wire.Malformed):
                    kind, sequence, fields = wire.decode(frame)
                    if kind == "accept":
                        target = (self.listening[0], fields["port"])
                        frame = wire.encode(kind, sequence, **dict(fields, port=0))
                os.write(self.ours, wire.stuff(frame))

    def hang_up(self):
        self.done.set()
        if self.is_alive():
            self.join(5.0)
        os.close(self.ours)
        os.close(self.theirs)
        self.socket.close()


class SealedDoor(threading.Thread):
    """Stands before a plain bench on loopback: takes the client's seals off and puts the bench's on."""

    def __init__(self, link):
        super().__init__(daemon=True)
        _, host, port = wire.parse_link(link)
        self.bench, self.client = (host, port), None
        self.inside = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.inside.bind((host, 0))
        self.outside = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.outside.bind((host, 0))
        self.link = "sealed-udp:%s:%d" % self.outside.getsockname()
        self.key, self.challenge, self.nonce, self.sent = bytes.fromhex(TOKEN), None, 0, 0
        self.done = threading.Event()

    def run(self):
        while not self.done.is_set():
            ready, _, _ = select.select([self.inside, self.outside], [], [], 0.02)
            if self.outside in ready:
                data, self.client = self.outside.recvfrom(4096)
                self.from_client(data)
            if self.inside in ready:
                self.from_bench(self.inside.recv(4096))

    def from_client(self, data):
        if data[3] == wire.SEALED_BIT | wire.KINDS["open"][0]:
            self.challenge = data[wire.HEADER.size:wire.HEADER.size + len(self.key)]
        with contextlib.suppress(wire.Malformed):
            _, frame = wire.unseal(data, self.key, wire.TO_BENCH, self.challenge, self.nonce)
            kind, sequence, fields = wire.decode(frame)
            if kind == "open":
                frame = wire.encode(kind, sequence, **dict(fields, token=self.key))
            self.inside.sendto(frame, self.bench)

    def from_bench(self, frame):
        """Passes a frame on, twice the same: a client must take it once. What is no frame is passed on as it is."""
        try:
            kind, sequence, fields = wire.decode(frame)
        except wire.Malformed:
            self.outside.sendto(frame, self.client)
            return
        if kind == "accept":
            frame = wire.encode(kind, sequence, **dict(fields, port=self.outside.getsockname()[1]))
        self.sent += 1
        sealed = wire.seal(frame, self.key, wire.TO_CLIENT, self.challenge, self.nonce, self.sent)
        if kind == "accept":
            self.bench, self.nonce, self.sent = (self.bench[0], fields["port"]), fields["nonce"], 0
        for _ in range(2):
            self.outside.sendto(sealed, self.client)

    def hang_up(self):
        self.done.set()
        self.join(5.0)
        self.inside.close()
        self.outside.close()


class Link(unittest.TestCase):
    def started(self, machine, through=None, **options):
        bench = FakeBench(machine, **options)
        bench.start()
        link = bench.link
        if through:
            between = through(bench.link)
            between.start()
            self.addCleanup(between.hang_up)
            link = between.link
        client = wire.Client(link, TOKEN, name="test", patience_s=3.0)
        self.addCleanup(client.__exit__)
        return bench, client

    def check_session(self, lose, through=None):
        bench, client = self.started(Machine(), through, lose=lose)
        facts = client.open()
        self.assertEqual((facts.title, facts.stride_ticks), ("one mass", 8))
        client.enable()
        self.assertEqual(client.feedback.state, "operation enabled")
        client.write("speed_gain_nms_per_rad", 0.05)
        self.assertEqual(client.read("speed_gain_nms_per_rad"), 0.05)
        for place in range(20):
            before = client.feedback.exchange
            feedback = client.exchange([wire.Value(float(place))])
            self.assertEqual(feedback.exchange, before + 1)
            self.assertEqual({sample.setpoint_rad_per_s for sample in feedback.samples}, {float(place)})
        sweep = [wire.Value(0.0, 0.0, 0.01 * tick) for tick in range(8)]
        offsets = [sample.summed_torque_nm - sample.controller_torque_nm for sample in client.exchange(sweep).samples]
        for found, expected in zip(offsets, sweep):
            self.assertAlmostEqual(found, expected.torque_offset_nm, places=12)
        client.exchange([wire.Value(0.0)])
        client.disable()
        client.store()
        self.assertEqual(client.done(), wire.Result("pass", 50.0, "every limit held"))
        bench.join(3.0)
        self.assertEqual(bench.machine.stored["speed_gain_nms_per_rad"], 0.05)
        return client

    def test_a_session_from_open_to_result(self):
        client = self.check_session(lose=())
        self.assertEqual(client.malformed, {"too_short": 1})

    def test_lost_frames_are_sent_again_and_act_once(self):
        self.check_session(lose=(1, 4, 8, 21, 40, 55, 70, 71))

    def test_a_sealed_session_takes_each_frame_once(self):
        client = self.check_session(lose=(), through=SealedDoor)
        # The second accept came when the nonce stood in every code already.
        self.assertEqual(set(client.malformed), {"too_short", "mac", "replayed"})

    def test_lost_frames_of_a_sealed_session_are_sent_again_and_act_once(self):
        self.check_session(lose=(1, 4, 8, 21, 40, 55, 70, 71), through=SealedDoor)

    def test_a_host_beyond_this_machine_is_always_sealed(self):
        for link, sealed in (("udp:127.0.0.1:9", False), ("udp:192.0.2.2:9", True), ("sealed-udp:127.0.0.1:9", True)):
            with self.subTest(link), mock.patch.object(wire.socket, "socket") as made:
                wire.Client(link, TOKEN).log("a line")
                data, _ = made.return_value.sendto.call_args.args
                self.assertEqual(bool(data[3] & wire.SEALED_BIT), sealed)

    def test_a_session_over_a_serial_line(self):
        client = self.check_session(lose=(), through=Cable)
        self.assertEqual(client.malformed, {"too_short": 1})

    def test_lost_frames_on_a_serial_line_are_sent_again_and_act_once(self):
        self.check_session(lose=(1, 4, 8, 21, 40, 55, 70, 71), through=Cable)

    def test_a_line_that_hangs_up_is_a_clear_error(self):
        cable = Cable("udp:127.0.0.1:9")
        with wire.Client(cable.link, TOKEN, patience_s=3.0) as client:
            cable.hang_up()
            with self.assertRaisesRegex(wire.LinkError, "lost the line /dev/pts/"):
                client.open()

    def test_a_line_that_cannot_be_used_says_why(self):
        for link, says in (("serial:/dev/ttyNOSUCH7:9600", "cannot open /dev/ttyNOSUCH7.*dialout"),
                           ("serial:/dev/null:9600", "/dev/null is no serial line"),
                           ("serial:/dev/null:9601", "9601 baud is unknown here; known are 50,.*9600")):
            with self.assertRaisesRegex(wire.LinkError, says):
                wire.Client(link, TOKEN)

    def test_refusals_are_named(self):
        bench, client = self.started(Machine(), refuse=True)
        with self.assertRaisesRegex(wire.Refused, "token: wrong token"):
            client.open()
        bench.join(3.0)

    def test_settings_and_hand_actions_that_are_refused_say_why(self):
        bench, client = self.started(Machine())
        client.open()
        with self.assertRaisesRegex(wire.Refused, "out_of_range"):
            client.write("speed_gain_nms_per_rad", -1.0)
        with self.assertRaisesRegex(wire.Refused, "no setting speed_gain"):
            client.write("speed_gain", 1.0)
        with self.assertRaisesRegex(wire.Refused, "uncouple: not_at_rest"):
            client.hand_action("uncouple")
        with self.assertRaisesRegex(wire.Refused, "lift_brake: not_here"):
            client.hand_action("lift_brake")
        client.hand_action("press_emergency_stop")
        with self.assertRaisesRegex(wire.LinkError, "emergency stop pressed"):
            client.enable(timeout_s=0.1)
        client.hand_action("release_emergency_stop")
        client.enable()
        with self.assertRaisesRegex(ValueError, "3 values"):
            client.exchange([wire.Value()] * 3)
        client.close()
        bench.join(3.0)

    def test_nobody_there_is_a_clear_error(self):
        silent = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        silent.bind(("127.0.0.1", 0))
        link = "udp:127.0.0.1:%d" % silent.getsockname()[1]
        with silent, wire.Client(link, TOKEN, patience_s=0.3) as client:
            with self.assertRaisesRegex(wire.TimedOut, "no answer to open within 0.3 s"):
                client.open()

    def test_a_missing_environment_says_what_is_missing(self):
        with mock.patch.dict(os.environ, clear=True):
            with self.assertRaisesRegex(wire.LinkError, "PLANTSTAND_LINK and PLANTSTAND_TOKEN"):
                wire.Client()


class FakeTorqueBench(threading.Thread):
    """Serves one TorqueClient through tuning, power cycle, one examination with a reset in it, and the result.

    Everything is said twice, as to a client that is late; what an honest bench would then see is kept.
    """

    COMMANDS, FEEDBACK, COMMAND = 2, "torque_feedback", "torque_command"
    EXCHANGES = 50

    def __init__(self, pace):
        super().__init__(daemon=True)
        self.socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.socket.bind(("127.0.0.1", 0))
        self.socket.settimeout(3.0)
        self.link = "udp:127.0.0.1:%d" % self.socket.getsockname()[1]
        self.pace, self.sequence, self.peer = pace, 0, None
        self.acknowledged, self.commands, self.done = [], [], 0

    def say_twice(self, kind, **fields):
        self.sequence += 1
        frame = wire.encode(kind, self.sequence, **fields)
        for _ in range(2):
            self.socket.sendto(frame, self.peer)

    def hear(self, wanted):
        """The next frame of a kind, twice the same."""
        found = []
        while len(found) < 2:
            data, self.peer = self.socket.recvfrom(4096)
            kind, _, fields = wire.decode(data)
            self.done += kind == "done"
            if kind == wanted:
                found.append((data, fields))
        assert found[0] == found[1], f"a repeated {wanted} is another one"
        return found[0][1]

    def run(self):
        with self.socket:
            data, self.peer = self.socket.recvfrom(4096)
            self.sequence = wire.decode(data)[1]
            self.say_twice("accept", port=self.socket.getsockname()[1], version_min=1, version_max=1, commands=self.COMMANDS,
                           pace=self.pace, tick_hz=4000, stride_ticks=2, endless=True, travel_min_deg=0.0,
                           travel_max_deg=0.0, window_min_deg=0.0, window_max_deg=0.0, path_deg=0.0,
                           max_speed_rad_per_s=100.0, time_s=60.0, nonce=5, title="torque")
            self.phase(1)
            self.exchange(0)
            while not self.done:
                self.done += wire.decode(self.socket.recv(4096))[0] == "done"
            self.phase(2)
            self.phase(3)
            for exchange in range(self.EXCHANGES):
                if exchange == self.EXCHANGES // 2:
                    self.phase(5)
                self.exchange(exchange)
            self.say_twice("phase", phase=4, corner=0)
            self.say_twice("result", verdict=1, grade_percent=75.0, text="every limit held")

    def phase(self, number):
        self.say_twice("phase", phase=number, corner=0)
        self.acknowledged.append(self.hear("phase_acknowledgement")["phase"])

    def exchange(self, exchange):
        samples = [self.sample(2 * exchange + tick, 10.0, float(exchange)) for tick in range(2)]
        self.say_twice(self.FEEDBACK, exchange=exchange, first_tick=2 * exchange, trip=0, statusword=0x237,
                       samples=samples)
        self.commands.append(self.hear(self.COMMAND))

    def sample(self, *shown):
        return wire.TorqueSample(*shown, 0.0)


class FakeVoltageBench(FakeTorqueBench):
    COMMANDS, FEEDBACK, COMMAND = 3, "voltage_feedback", "voltage_command"

    def sample(self, *shown):
        return wire.VoltageSample(*shown, 1.5, 0.0, 0.25, 560.0, 0.0, 2.0)


class Torque(unittest.TestCase):
    def check_run(self, pace):
        bench = FakeTorqueBench(pace)
        bench.start()
        calls, resets = [], []

        def control(feedback):
            calls.append(feedback.exchange)
            sample = feedback.samples[-1]
            return [wire.TorqueValue(0.5 * (sample.setpoint_rad_per_s - sample.measured_speed_rad_per_s), 0.25)]

        with wire.TorqueClient(bench.link, TOKEN, name="gain", patience_s=3.0) as client:
            facts = client.open()
            self.assertEqual((facts.title, facts.stride_ticks), ("torque", 2))
            result = client.run(control, reset=lambda: resets.append(len(calls)))
        bench.join(5.0)
        self.assertEqual(result, wire.Result("pass", 75.0, "every limit held"))
        # Each feedback was answered once, whatever was repeated; sums were forgotten before each part and at the reset.
        self.assertEqual(calls, [0] + list(range(bench.EXCHANGES)))
        self.assertEqual(resets, [1, 1, 1 + bench.EXCHANGES // 2])
        self.assertEqual(bench.acknowledged, [1, 2, 3, 5])
        self.assertEqual([command["controlword"] for command in bench.commands], [0x00] + [0x0F] * bench.EXCHANGES)
        expected = [wire.TorqueValue(0.5 * (10.0 - exchange), 0.25) for exchange in calls]
        self.assertEqual([command["values"] for command in bench.commands], [[value] for value in expected])

    def test_a_run_in_lockstep_from_open_to_result(self):
        self.check_run(pace=1)

    def test_a_run_in_real_time_from_open_to_result(self):
        self.check_run(pace=2)

    def test_a_run_with_voltages_answers_each_feedback_with_voltages(self):
        bench = FakeVoltageBench(1)
        bench.start()

        def control(feedback):
            sample = feedback.samples[-1]
            return [wire.VoltageValue(-sample.current_d_a, sample.bus_v * sample.current_q_a)]

        with wire.VoltageClient(bench.link, TOKEN, patience_s=3.0) as client:
            client.open()
            result = client.run(control)
        bench.join(5.0)
        self.assertEqual(result.verdict, "pass")
        self.assertEqual({tuple(command["values"]) for command in bench.commands}, {(wire.VoltageValue(0.0, 140.0),)})

    def test_a_client_that_commands_something_else_says_so(self):
        bench = FakeTorqueBench(1)
        bench.start()
        with wire.Client(bench.link, TOKEN, patience_s=3.0) as client:
            with self.assertRaisesRegex(wire.LinkError, "commands speed, the bench wants torque"):
                client.open()

    def test_silence_is_a_clear_error(self):
        silent = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        silent.bind(("127.0.0.1", 0))
        link = "udp:127.0.0.1:%d" % silent.getsockname()[1]
        with silent, wire.TorqueClient(link, TOKEN, patience_s=0.3) as client:
            with self.assertRaisesRegex(wire.TimedOut, "nothing from the bench within 0.3 s"):
                client.run(lambda feedback: [])


class Method(unittest.TestCase):
    def run_on(self, machine, **facts):
        bench = FakeBench(machine)
        bench.facts.update(facts)
        bench.start()
        said, complained = io.StringIO(), io.StringIO()
        environment = {"PLANTSTAND_LINK": bench.link, "PLANTSTAND_TOKEN": TOKEN}
        with mock.patch.dict(os.environ, environment), contextlib.redirect_stdout(said), \
                contextlib.redirect_stderr(complained):
            status = step_and_back_off.main()
        bench.join(5.0)
        self.assertFalse(bench.is_alive())
        self.assertTrue(bench.was_enabled)
        low, high = bench.facts["window_min_deg"], bench.facts["window_max_deg"]
        self.assertTrue(low < min(machine.angles_deg) and max(machine.angles_deg) < high)
        return status, bench, said.getvalue() + complained.getvalue()

    def test_it_tunes_one_mass_to_a_verdict(self):
        machine = Machine()
        status, bench, said = self.run_on(machine)
        self.assertEqual((status, bench.closed, bench.finished), (0, 1, True), said)
        found = float(next(line for line in bench.log if "inertia" in line).split()[-2])
        self.assertAlmostEqual(found, machine.inertia_kgm2, delta=0.05 * machine.inertia_kgm2)
        self.assertTrue(0.02 < machine.stored["speed_gain_nms_per_rad"] < 1.0, machine.stored)
        self.assertEqual((machine.stored["torque_limit_nm"], machine.stored["speed_limit_rpm"]), (3.0, 2000.0))

    def test_a_reversed_sensor_is_found_before_anything_runs_away(self):
        status, bench, said = self.run_on(Machine(sensor_sign=-1, weight_nm=0.0))
        self.assertEqual((status, bench.closed, bench.finished), (1, 5, False))
        self.assertRegex(said, "wrong direction|tripped|does not come to rest|window")

    def test_a_blocked_axis_stops_with_a_reason(self):
        status, _, said = self.run_on(Machine(friction_nm=50.0))
        self.assertEqual(status, 1)
        self.assertIn("does not move", said)

    def test_a_path_that_is_too_short_stops_with_a_reason(self):
        status, _, said = self.run_on(Machine(), path_deg=60.0)
        self.assertEqual(status, 1)
        self.assertIn("has turned", said)


if __name__ == "__main__":
    unittest.main()
