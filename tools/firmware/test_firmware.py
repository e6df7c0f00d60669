"""The firmware keeps its side of the link: over UDP and a serial line, on Linux and on the emulated board, with the same
output to the bit; on a bad line, too; and what is wrong in its environment is said.

The bench is played by this file: a rigid roll, setpoints and loads from a seed. FIRMWARE_EXCHANGES sets how many
exchanges the comparison of Linux and board takes (10 000 unless set). What it does not: judge how well it controls (a
trial does), or try the codec byte by byte (tests/firmware_codec.rs does). Start reading at Bench.run.
"""

import os
import pathlib
import random
import re
import select
import shutil
import socket
import struct
import subprocess
import time
import tty
import unittest

HERE = pathlib.Path(__file__).resolve().parent
BUILT = pathlib.Path(os.environ.get("FIRMWARE_OUT", HERE / "../../target/firmware")).resolve()
EXCHANGES = int(os.environ.get("FIRMWARE_EXCHANGES", "10000"))
TOKEN = bytes.fromhex("00112233445566778899aabbccddeeff")
TUNING, POWER_CYCLE, EXAMINATION, OVER, RESET = 1, 2, 3, 4, 5
OPEN, ACCEPT, REFUSE, CLOSE, PHASE, DONE, RESULT, LOG, PROBE, ECHO = 1, 2, 3, 4, 5, 8, 9, 10, 11, 12
TORQUE_FEEDBACK, TORQUE_COMMAND, PHASE_ACKNOWLEDGEMENT = 32, 33, 36
COUNTS_PER_TURN, TICK_HZ, TURN_RAD = 1048576, 8000, 6.283185307179586
WAIT_S = 20.0


def crc_table():
    """The table of CRC-32/ISCSI, a byte at a time."""
    table = []
    for value in range(256):
        for _ in range(8):
            value = value >> 1 ^ (0x82F63B78 if value & 1 else 0)
        table.append(value)
    return table


TABLE = crc_table()


def crc(data):
    value = 0xFFFFFFFF
    for byte in data:
        value = value >> 8 ^ TABLE[(value ^ byte) & 0xFF]
    return struct.pack("<I", value ^ 0xFFFFFFFF)


def framed(kind, sequence, payload=b""):
    body = struct.pack("<2sBBIH", b"PS", 1, kind, sequence, len(payload)) + payload
    return body + crc(body)


def stuffed(frame):
    """The frame as it goes on a line: COBS between zeros."""
    line = bytearray(b"\0")
    blocks = frame.split(b"\0")
    for block in blocks:
        while 254 <= len(block):
            line += b"\xff" + block[:254]
            block = block[254:]
        line += bytes([len(block) + 1]) + block
    return bytes(line + b"\0")


def unstuffed(line):
    frame = bytearray()
    while line:
        code, block, line = line[0], line[1:line[0]], line[line[0]:]
        frame += block
        if code != 255 and line:
            frame.append(0)
    return bytes(frame)


class Udp:
    """The bench's two sockets."""

    def __init__(self):
        self.door = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.inside = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        for end in (self.door, self.inside):
            end.bind(("127.0.0.1", 0))
        self.peer = None
        self.link = f"udp:127.0.0.1:{self.door.getsockname()[1]}"
        self.port = self.inside.getsockname()[1]

    def send(self, frame, from_door=False):
        (self.door if from_door else self.inside).sendto(frame, self.peer)

    def receive(self, wait_s):
        for end in select.select([self.door, self.inside], [], [], wait_s)[0]:
            frame, self.peer = end.recvfrom(65536)
            return frame
        return None

    def close(self):
        self.door.close()
        self.inside.close()


class Pty:
    """The bench's end of a pseudo-terminal."""

    def __init__(self):
        self.master, slave = os.openpty()
        tty.setraw(slave)
        # Kept open, so that the line stays when the client comes and goes.
        self.slave = slave
        self.link = f"serial:{os.ttyname(slave)}:115200"
        self.port = 0
        self.came = b""

    def send(self, frame, from_door=False):
        self.write(stuffed(frame))

    def write(self, line):
        while line:
            line = line[os.write(self.master, line):]

    def receive(self, wait_s):
        while True:
            line, found, rest = self.came.partition(b"\0")
            if found:
                self.came = rest
                if line:
                    return unstuffed(line)
                continue
            if not select.select([self.master], [], [], wait_s)[0]:
                return None
            self.came += os.read(self.master, 65536)

    def close(self):
        os.close(self.master)
        os.close(self.slave)


class Roll:
    """A rigid roll with a sensor: enough to close the loop. Its torque of load and its setpoint come from the seed."""

    def __init__(self, seed):
        self.dice = random.Random(seed)
        self.angle = self.speed = self.setpoint = self.load = 0.0

    def counts(self):
        return int(self.angle / TURN_RAD * COUNTS_PER_TURN) + self.dice.randrange(-9, 10)

    def tick(self, tick, torque):
        if tick % 800 == 0:
            self.setpoint, self.load = self.dice.uniform(-40, 40), self.dice.uniform(-2, 2)
        self.speed += (torque - self.load) / 3.8e-3 / TICK_HZ
        self.angle += self.speed / TICK_HZ


class Bench:
    """Plays the bench in lockstep, and counts what the client did wrong. `loss` is the fraction of frames that a bad line
    loses, damages or repeats, in both directions."""

    def __init__(self, carrier, stride=1, loss=0.0, commands=2, seed=1):
        self.carrier, self.stride, self.loss, self.commands = carrier, stride, loss, commands
        self.dice = random.Random(seed)
        self.sequence = 0
        self.sequences, self.logs, self.acknowledged, self.again = [], [], [], 0

    def send(self, frame, from_door=False):
        fate = self.dice.random() / self.loss if self.loss else 9
        if fate < 0.4:
            return
        if fate < 0.7:
            place = self.dice.randrange(len(frame))
            frame = frame[:place] + bytes([frame[place] ^ 1 << self.dice.randrange(8)]) + frame[place + 1:]
        self.carrier.send(frame, from_door)
        if 0.7 <= fate < 1:
            self.carrier.send(frame, from_door)

    def next(self, kind):
        self.sequence += 1
        return self.sequence, kind

    def hear(self, wait_s):
        """The next frame as kind, sequence, payload; what a bad line lost is not heard. Answers probes."""
        frame = self.carrier.receive(wait_s)
        if frame is None or (self.loss and self.dice.random() < self.loss):
            return None
        assert frame[-4:] == crc(frame[:-4]) and frame[:3] == b"PS\1", frame.hex()
        kind, sequence = struct.unpack_from("<BI", frame, 3)
        payload = frame[10:-4]
        if kind == PROBE:
            self.sequence += 1
            self.send(framed(ECHO, self.sequence, payload))
        if kind == LOG:
            self.logs.append(payload[1:].decode())
        return kind, sequence, payload

    def ask(self, kind, payload, is_answer):
        """Sends a new frame until its answer comes; a repeated answer must be the identical one."""
        self.sequence += 1
        frame = framed(kind, self.sequence, payload)
        self.send(frame)
        sent = limit = time.monotonic()
        limit += WAIT_S
        while time.monotonic() < limit:
            # On a line that is known to be bad a repetition comes at once.
            heard = self.hear(0.005 if self.loss else 0.1)
            if heard and is_answer(heard[0], heard[2]):
                self.check_sequence(heard)
                return heard[2]
            if (0.005 if self.loss else 0.1) <= time.monotonic() - sent:
                sent = time.monotonic()
                self.again += 1
                self.send(frame)
        raise AssertionError(f"no answer to kind {kind} within {WAIT_S} s; logs {self.logs}")

    def check_sequence(self, heard):
        """The same number means the same bytes."""
        for kind, sequence, payload in self.sequences[-50:]:
            assert sequence != heard[1] or (kind, payload) == (heard[0], heard[2]), "an answer changed"
        self.sequences = self.sequences[-50:] + [heard]

    def let_in(self, token=TOKEN):
        limit = time.monotonic() + WAIT_S
        accept = struct.pack("<HBBBBIHB7dQB", self.carrier.port, 1, 1, self.commands, 1, TICK_HZ, self.stride, 1,
                             0, 0, -720, 720, 20000, 94.2, 60, 7, 4) + b"Roll"
        while time.monotonic() < limit:
            heard = self.hear(0.1)
            if heard and heard[0] == OPEN:
                assert heard[2][:16] == token, heard[2].hex()
                self.send(framed(ACCEPT, heard[1], accept), from_door=True)
            elif heard:
                return
        raise AssertionError("nobody opened")

    def phase(self, phase, corner=0):
        payload = struct.pack("<BH", phase, corner)
        self.ask(PHASE, payload, lambda kind, answer: kind == PHASE_ACKNOWLEDGEMENT and answer == payload)

    def wait_for(self, kind):
        limit = time.monotonic() + WAIT_S
        while time.monotonic() < limit:
            heard = self.hear(0.1)
            if heard and heard[0] == kind:
                return
        raise AssertionError(f"kind {kind} did not come")

    def examine(self, corner, exchanges, seed, reset_at=None):
        """One examination: the torques that the client gave, tick by tick."""
        self.phase(EXAMINATION, corner)
        roll, torques = Roll(seed), []
        acting = [0.0] * self.stride
        for exchange in range(exchanges):
            if exchange == reset_at:
                self.phase(RESET, corner)
            samples = b""
            for place in range(self.stride):
                tick = exchange * self.stride + place
                samples += struct.pack("<qddd", roll.counts(), roll.setpoint, roll.speed, acting[place])
                roll.tick(tick, acting[place])
            head = struct.pack("<IQHHB", exchange, exchange * self.stride, 0, 0x0237, self.stride)
            number = struct.pack("<I", exchange)
            answer = self.ask(TORQUE_FEEDBACK, head + samples,
                              lambda kind, answer: kind == TORQUE_COMMAND and answer[:4] == number)
            controlword, _, count = struct.unpack_from("<HIB", answer, 4)
            assert controlword == 0x000F and count == self.stride, answer.hex()
            acting = [struct.unpack_from("<d", answer, 11 + 16 * place)[0] for place in range(count)]
            torques += acting
        return torques

    def run(self, exchanges, machines=2, reset_at=None):
        """A whole trial."""
        self.let_in()
        self.phase(TUNING)
        self.wait_for(DONE)
        self.phase(POWER_CYCLE)
        torques = []
        for machine in range(machines):
            torques += self.examine(machine, exchanges // machines, seed=machine, reset_at=reset_at)
        self.loss = 0.0
        self.send(framed(PHASE, self.sequence + 1, struct.pack("<BH", OVER, 0)))
        self.send(framed(RESULT, self.sequence + 2, struct.pack("<BdB", 1, 80.0, 4) + b"held"))
        self.wait_for(CLOSE)
        return torques


def started(words, carrier, **more):
    environment = {**os.environ, "PLANTSTAND_LINK": carrier.link, "PLANTSTAND_TOKEN": TOKEN.hex(), **more}
    return subprocess.Popen(words, env=environment, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)


LINUX, SANITISED = [str(BUILT / "linux")], [str(BUILT / "sanitised")]
BOARD = [str(HERE / "run_qemu.sh"), str(BUILT / "board.elf")]


class Firmware(unittest.TestCase):
    def trial(self, words, carrier, exchanges, stride=1, loss=0.0, reset_at=None, **more):
        """Runs the client against the bench; its torques, what it said, and the bench."""
        self.addCleanup(carrier.close)
        bench = Bench(carrier, stride, loss)
        client = started(words, carrier, **more)
        try:
            began = time.monotonic()
            torques = bench.run(exchanges, reset_at=reset_at)
            self.seconds = time.monotonic() - began
            said = client.communicate(timeout=WAIT_S)[0]
        finally:
            client.kill()
            client.wait()
        self.assertEqual(client.returncode, 0, said)
        self.assertIn("firmware: result: pass", said)
        self.assertIn("firmware: held", said)
        return torques, said, bench

    def counted(self, said, what):
        return re.search(rf"{what} (\w+)", said)[1]

    def hash_of(self, said):
        return re.search(r"output hash (\w{16})", said)[1]

    def check_whole(self, said, exchanges):
        self.assertEqual(self.counted(said, "exchanges"), str(exchanges), said)
        self.assertEqual(self.counted(said, "bad frames"), "0", said)

    def test_udp_and_a_serial_line_give_the_same_output(self):
        torques, said, bench = self.trial(SANITISED, Udp(), 4000)
        self.check_whole(said, 4000)
        self.assertLess(7.9, max(torques), "the torque limit is met, so that the anti-windup acts")
        self.assertIn("output hash", bench.logs[-1])
        again, said_again, _ = self.trial(SANITISED, Pty(), 4000)
        self.check_whole(said_again, 4000)
        self.assertEqual(torques, again)
        self.assertEqual(self.hash_of(said), self.hash_of(said_again))

    @unittest.skipUnless(shutil.which("qemu-system-arm"), "needs Debian's qemu-system-arm")
    def test_linux_and_the_board_give_the_same_output(self):
        torques, said, _ = self.trial(LINUX, Pty(), EXCHANGES)
        print(f"linux: {EXCHANGES / self.seconds:.0f} exchanges a second;", said.splitlines()[-1], flush=True)
        self.check_whole(said, EXCHANGES)
        on_board, said_there, _ = self.trial(BOARD, Pty(), EXCHANGES)
        print(f"board: {EXCHANGES / self.seconds:.0f} exchanges a second;", said_there.splitlines()[-1], flush=True)
        self.check_whole(said_there, EXCHANGES)
        self.assertEqual(torques, on_board)
        self.assertEqual(self.hash_of(said), self.hash_of(said_there))

    def test_a_stride_of_eight_is_answered_tick_by_tick(self):
        torques, said, _ = self.trial(SANITISED, Udp(), 500, stride=8)
        self.check_whole(said, 500)
        self.assertEqual(len(torques), 4000)
        self.assertLess(3000, len(set(torques)))

    def test_a_bad_line_changes_no_bit(self):
        torques, said, _ = self.trial(LINUX, Udp(), 2000)
        for carrier in (Udp(), Pty()):
            on_bad_line, said_there, bench = self.trial(SANITISED, carrier, 2000, loss=0.1)
            self.assertLess(100, bench.again)
            self.assertNotEqual(self.counted(said_there, "bad frames"), "0")
            self.assertEqual(torques, on_bad_line)
            self.assertEqual(self.hash_of(said), self.hash_of(said_there))

    def test_a_reset_in_mid_run_empties_the_controller(self):
        torques, _, _ = self.trial(LINUX, Udp(), 2000, reset_at=500)
        plain, _, _ = self.trial(LINUX, Udp(), 2000)
        self.assertEqual(torques[:500], plain[:500])
        self.assertNotEqual(torques[500], plain[500])

    def test_firmware_that_is_started_anew_in_mid_run_goes_on(self):
        carrier = Udp()
        self.addCleanup(carrier.close)
        client = started(SANITISED, carrier)
        self.addCleanup(client.communicate)
        self.addCleanup(client.kill)
        bench = Bench(carrier)
        bench.let_in()
        bench.sequence = 1000
        bench.phase(EXAMINATION, 1)
        # The feedback that waits has the number that it had before.
        bench.sequence = 500
        payload = struct.pack("<IQHHBqddd", 77, 77, 0, 0x0237, 1, 9000, 3.0, 3.0, 0.5)
        answer = bench.ask(TORQUE_FEEDBACK, payload, lambda kind, _: kind == TORQUE_COMMAND)
        self.assertEqual(struct.unpack_from("<IHIB", answer)[:2], (77, 0x000F))
        self.assertNotEqual(struct.unpack_from("<d", answer, 11)[0], 0.0)

    def test_noise_on_the_line_before_the_open_is_passed_by(self):
        carrier = Pty()
        carrier.write(random.Random(3).randbytes(5000))
        _, said, _ = self.trial(SANITISED, carrier, 100)
        self.assertNotEqual(self.counted(said, "bad frames"), "0")

    def test_settings_come_from_the_environment(self):
        soft, _, _ = self.trial(LINUX, Udp(), 200, GAIN_NMS_PER_RAD="0.1")
        firm, _, _ = self.trial(LINUX, Udp(), 200)
        self.assertNotEqual(soft, firm)

    def test_a_scenario_that_commands_speed_is_left(self):
        carrier = Udp()
        self.addCleanup(carrier.close)
        client = started(SANITISED, carrier)
        bench = Bench(carrier, commands=1)
        bench.let_in()
        said = client.communicate(timeout=WAIT_S)[0]
        self.assertEqual(client.returncode, 1)
        self.assertIn('commands = "torque"', said)

    def test_a_refusal_is_told_in_the_benchs_words(self):
        carrier = Udp()
        self.addCleanup(carrier.close)
        client = started(SANITISED, carrier)
        kind, sequence, _ = Bench(carrier).hear(WAIT_S)
        self.assertEqual(kind, OPEN)
        carrier.send(framed(REFUSE, sequence, struct.pack("<BBBB", 2, 1, 1, 11) + b"wrong token"), from_door=True)
        said = client.communicate(timeout=WAIT_S)[0]
        self.assertEqual(client.returncode, 1)
        self.assertIn("wrong token", said)

    def test_a_line_that_goes_away_ends_the_run(self):
        carrier = Pty()
        client = started(SANITISED, carrier)
        self.assertEqual(Bench(carrier).hear(WAIT_S)[0], OPEN)
        carrier.close()
        said = client.communicate(timeout=WAIT_S)[0]
        self.assertEqual(client.returncode, 1)
        self.assertIn("the carrier is gone", said)

    def test_what_is_wrong_in_the_environment_is_said(self):
        for more, words in [
            ({"PLANTSTAND_LINK": "tcp:1"}, "should begin with udp: or serial:"),
            ({"PLANTSTAND_LINK": "udp:127.0.0.1"}, "udp:HOST:PORT"),
            ({"PLANTSTAND_LINK": "serial:/dev/null:110"}, "no tty has this baud rate: 110"),
            ({"PLANTSTAND_LINK": "serial:/dev/nothing:115200"}, "No such file"),
            ({"PLANTSTAND_LINK": "udp:127.0.0.1:9", "PLANTSTAND_TOKEN": "12"}, "32 hex digits"),
            ({"PLANTSTAND_LINK": "udp:127.0.0.1:9", "GAIN_NMS_PER_RAD": "much"}, "should be a number"),
        ]:
            ran = subprocess.run(SANITISED, env={**os.environ, **more}, capture_output=True, text=True, check=False)
            self.assertEqual(ran.returncode, 2, ran.stderr)
            self.assertIn(words, ran.stderr)

    def test_defects_change_the_output_and_a_reordering_only_its_rounding(self):
        right, _, _ = self.trial(LINUX, Udp(), 4000)
        for name in ["antiwindup_sign", "filter_bit", "skipped_tick", "reordering"]:
            torques, _, _ = self.trial([str(BUILT / name)], Udp(), 4000)
            off = max(abs(one - other) for one, other in zip(torques, right))
            if name == "reordering":
                self.assertTrue(0 < off < 1e-9, f"{name}: {off} Nm")
            else:
                self.assertLess(1e-3, off, name)


if __name__ == "__main__":
    unittest.main()
