# Long because it is one file that a person copies beside a method: frames, link and settings together.
"""A client of plantstand's link, in one file, standard library only (Python 3.9 or newer).

What it does: opens the link, answers feedback with commands, reads, writes and stores the drive's settings by name,
logs, says done and waits for the verdict. What it does not: decide anything about a machine (see
step_and_back_off.py for a method). It speaks version 1 of src/wire/PROTOCOL.md over UDP, plain or sealed, and over
serial lines: where the outside commands speed in lockstep as Client, where it commands torque as TorqueClient.

Start reading at Client. The shortest method there is:

    client = Client(name="nothing")
    client.open()                  # PLANTSTAND_LINK and PLANTSTAND_TOKEN from the environment
    client.enable()
    feedback = client.exchange([Value(speed_rad_per_s=10.0)])
    client.write("speed_gain_nms_per_rad", 0.1)
    client.store()
    print(client.done())

and the shortest speed controller, for commands = "torque":

    client = TorqueClient(name="gain")
    client.open()
    print(client.run(lambda feedback: [TorqueValue(0.1 * (feedback.samples[-1].setpoint_rad_per_s -
                                                          feedback.samples[-1].measured_speed_rad_per_s))]))

Cautions. The bench is a simulator; a pass is no proof that a machine is safe or that settings suit it. Never connect
this client, or the bench's link, to a drive that can move real machinery. At a machine the maker's instructions and
the site's rules come first.
"""

import fcntl
import hashlib
import hmac
import ipaddress
import os
import secrets
import select
import socket
import struct
import termios
import time
import unicodedata
from typing import NamedTuple

VERSION = 1
MAGIC = b"PS"
HEADER = struct.Struct("<2sBBIH")
CRC_BYTES = 4
TEXT_BYTES_MAX = 200
STRIDE_TICKS_MAX = 64
FRAME_BYTES_MAX = 4639
RESEND_S = 0.1
# Sealed frames: the kind's highest bit, then a counter and half an HMAC-SHA-256 before the checksum.
SEALED_BIT, SEAL_BYTES, COUNTER_BYTES, MAC_BYTES = 0x80, 24, 8, 16
TO_BENCH, TO_CLIENT = 1, 2
WINDOW = 64

# Kind: number, fixed fields as (name, struct letter), and what stands behind them. 16s is the token, ? a flag.
SAMPLES, VALUES, TORQUE_SAMPLES, TORQUE_VALUES = "samples", "values", "torque samples", "torque values"
VOLTAGE_SAMPLES, VOLTAGE_VALUES, WINDING_SAMPLES = "voltage samples", "voltage values", "winding samples"
KINDS = {
    "open": (1, [("token", "16s"), ("name_bytes", "B")], ["name"]),
    "accept": (2, [("port", "H"), ("version_min", "B"), ("version_max", "B"), ("commands", "B"), ("pace", "B"),
                   ("tick_hz", "I"), ("stride_ticks", "H"), ("endless", "?"), ("travel_min_deg", "d"),
                   ("travel_max_deg", "d"), ("window_min_deg", "d"), ("window_max_deg", "d"), ("path_deg", "d"),
                   ("max_speed_rad_per_s", "d"), ("time_s", "d"), ("nonce", "Q"), ("title_bytes", "B")], ["title"]),
    "refuse": (3, [("reason", "B"), ("version_min", "B"), ("version_max", "B"), ("detail_bytes", "B")], ["detail"]),
    "close": (4, [("reason", "B")], []),
    "phase": (5, [("phase", "B"), ("corner", "H")], []),
    "feedback": (6, [("exchange", "I"), ("first_tick", "Q"), ("trip", "H"), ("statusword", "H"),
                     ("sample_count", "B")], SAMPLES),
    "command": (7, [("exchange", "I"), ("controlword", "H"), ("compute_us", "I"), ("value_count", "B")], VALUES),
    "done": (8, [], []),
    "result": (9, [("verdict", "B"), ("grade_percent", "d"), ("text_bytes", "B")], ["text"]),
    "log": (10, [("text_bytes", "B")], ["text"]),
    "probe": (11, [("nonce", "Q")], []),
    "echo": (12, [("nonce", "Q")], []),
    "setting_list": (16, [("index", "H")], []),
    "setting_row": (17, [("request", "I"), ("index", "H"), ("total", "H"), ("number", "H"),
                         ("writable_while_enabled", "?"), ("low", "d"), ("high", "d"), ("value", "d"),
                         ("default", "d"), ("name_bytes", "B"), ("unit_bytes", "B")], ["name", "unit"]),
    "setting_read": (18, [("number", "H")], []),
    "setting_write": (19, [("number", "H"), ("value", "d")], []),
    "store": (20, [], []),
    "setting_answer": (21, [("request", "I"), ("number", "H"), ("outcome", "B"), ("value", "d")], []),
    "hand_action": (24, [("action", "B")], []),
    "hand_answer": (25, [("request", "I"), ("outcome", "B")], []),
    "winding_test": (26, [("axis_d_voltage_v", "d"), ("time_s", "d")], []),
    "winding_read": (27, [("first", "H")], []),
    "winding_answer": (28, [("request", "I"), ("outcome", "B"), ("state", "B"), ("total", "H"), ("first", "H"),
                            ("sample_count", "B")], WINDING_SAMPLES),
    "torque_feedback": (32, [("exchange", "I"), ("first_tick", "Q"), ("trip", "H"), ("statusword", "H"),
                             ("sample_count", "B")], TORQUE_SAMPLES),
    "torque_command": (33, [("exchange", "I"), ("controlword", "H"), ("compute_us", "I"), ("value_count", "B")],
                       TORQUE_VALUES),
    "voltage_feedback": (34, [("exchange", "I"), ("first_tick", "Q"), ("trip", "H"), ("statusword", "H"),
                              ("sample_count", "B")], VOLTAGE_SAMPLES),
    "voltage_command": (35, [("exchange", "I"), ("controlword", "H"), ("compute_us", "I"), ("value_count", "B")],
                        VOLTAGE_VALUES),
    "phase_acknowledgement": (36, [("phase", "B"), ("corner", "H")], []),
}
NAMES = {number: name for name, (number, _, _) in KINDS.items()}
FIXED = {name: struct.Struct("<" + "".join(letter for _, letter in fields)) for name, (_, fields, _) in KINDS.items()}

REFUSE_REASONS = {1: "version", 2: "token", 3: "busy", 4: "open_again", 5: "over"}
CLOSE_REASONS = {1: "leaving", 2: "over", 3: "silent", 4: "out_of_time", 5: "failed", 6: "replaced"}
PHASES = {1: "tuning", 2: "power_cycle", 3: "examination", 4: "over", 5: "reset"}
COMMANDS = {1: "speed", 2: "torque", 3: "voltage"}
PACES = {1: "lockstep", 2: "real_time"}
VERDICTS = {1: "pass", 2: "fail", 3: "void"}
SETTING_OUTCOMES = {0: "done", 1: "unknown", 2: "out_of_range", 3: "not_while_enabled", 4: "not_finite", 5: "locked",
                    6: "read_only"}
WINDING_OUTCOMES = {0: "done", 1: "not_enabled", 2: "not_at_rest", 3: "out_of_range", 4: "running", 5: "not_here",
                    6: "locked"}
WINDING_STATES = {0: "none", 1: "running", 2: "finished", 3: "current_limit", 4: "stopped"}
HAND_OUTCOMES = {0: "done", 1: "not_at_rest", 2: "not_while_enabled", 3: "locked", 4: "not_here", 5: "not_built_yet"}
HAND_ACTIONS = {"couple": 1, "uncouple": 2, "press_emergency_stop": 3, "release_emergency_stop": 4, "open_guard": 5,
                "close_guard": 6, "power_cycle": 7, "set_brake": 8, "lift_brake": 9}
TRIPS = {1: "overspeed", 2: "speed deviation", 3: "travel limit", 4: "commander silent", 5: "overcurrent", 6: "overload",
         7: "bus voltage low", 8: "bus voltage high", 9: "sensor fault"}
# Bits of the statusword that say why the drive does not enable, or does not follow.
HINDRANCES = {1 << 8: "emergency stop pressed", 1 << 14: "guard open", 1 << 15: "brake not open"}

# Controlwords and states of IEC 61800-7-201.
SHUTDOWN, SWITCH_ON, ENABLE_OPERATION, QUICK_STOP, DISABLE_VOLTAGE = 0x06, 0x07, 0x0F, 0x02, 0x00
FAULT_RESET = 0x80
STATES = [(0x4F, 0x00, "not ready to switch on"), (0x4F, 0x40, "switch on disabled"),
          (0x6F, 0x21, "ready to switch on"), (0x6F, 0x23, "switched on"), (0x6F, 0x27, "operation enabled"),
          (0x6F, 0x07, "quick stop active"), (0x4F, 0x0F, "fault reaction active"), (0x4F, 0x08, "fault")]


class LinkError(Exception):
    """Something on the link that the method cannot go on with; the text says what."""


class Refused(LinkError):
    """The bench did not accept the open, or refused a setting or a hand action."""


class TimedOut(LinkError):
    """The bench did not answer within the client's patience."""


class Closed(LinkError):
    """The bench ended the connection."""


class Malformed(Exception):
    """Bytes that are not a frame. The client drops and counts them; this is never raised out of it."""


class Value(NamedTuple):
    """What the drive is asked for in a tick; speeds and torque at the motor."""
    speed_rad_per_s: float = 0.0
    speed_offset_rad_per_s: float = 0.0
    torque_offset_nm: float = 0.0


class Sample(NamedTuple):
    """What the drive showed in one tick."""
    counts: int
    setpoint_rad_per_s: float
    measured_speed_rad_per_s: float
    controller_torque_nm: float
    summed_torque_nm: float
    torque_command_nm: float


class TorqueValue(NamedTuple):
    """What the outside speed controller wants in a tick, at the motor; the two are added."""
    torque_nm: float = 0.0
    feedforward_nm: float = 0.0


class TorqueSample(NamedTuple):
    """What the drive showed in one tick where the outside closes the speed loop."""
    counts: int
    setpoint_rad_per_s: float
    measured_speed_rad_per_s: float
    torque_nm: float


class VoltageValue(NamedTuple):
    """What the outside current controller wants in a tick, peak of a phase."""
    voltage_d_v: float = 0.0
    voltage_q_v: float = 0.0


class VoltageSample(NamedTuple):
    """What the drive showed in one tick where the outside closes the current loop too."""
    counts: int
    setpoint_rad_per_s: float
    measured_speed_rad_per_s: float
    electrical_angle_rad: float
    current_d_a: float
    current_q_a: float
    bus_v: float
    voltage_d_v: float
    voltage_q_v: float


class WindingSample(NamedTuple):
    """One tick of a winding test: the voltage that acts during it, currents at its start."""
    voltage_d_v: float
    current_d_a: float
    current_q_a: float
    bus_v: float


class Feedback(NamedTuple):
    """One exchange: the samples of its ticks, and the state after the last one."""
    exchange: int
    first_tick: int
    trip: int
    statusword: int
    samples: list

    @property
    def state(self):
        """The drive's state in the standard's words."""
        return next((name for mask, value, name in STATES if self.statusword & mask == value), "unknown")

    @property
    def speed_rad_per_s(self):
        """Mean measured speed of the exchange: steadier than one tick's."""
        return sum(sample.measured_speed_rad_per_s for sample in self.samples) / len(self.samples)

    @property
    def torque_nm(self):
        """Mean torque command of the exchange, where the outside commands speed."""
        return sum(sample.torque_command_nm for sample in self.samples) / len(self.samples)


class Facts(NamedTuple):
    """What accept says about the run."""
    tick_hz: int
    stride_ticks: int
    endless: bool
    travel_deg: tuple
    window_deg: tuple
    path_deg: float
    max_speed_rad_per_s: float
    time_s: float
    title: str
    pace: str


class Setting(NamedTuple):
    """A row of the drive's table of settings, with the value it had when the table was read."""
    number: int
    name: str
    unit: str
    low: float
    high: float
    value: float
    default: float
    writable_while_enabled: bool


class Result(NamedTuple):
    """The verdict: "pass", "fail" or "void"."""
    verdict: str
    grade_percent: float
    text: str


# What stands behind the fixed fields as often as a count says: the fields' names, one item's layout, its type.
ITEMS = {
    SAMPLES: ("samples", "sample_count", struct.Struct("<qddddd"), Sample),
    VALUES: ("values", "value_count", struct.Struct("<ddd"), Value),
    TORQUE_SAMPLES: ("samples", "sample_count", struct.Struct("<qddd"), TorqueSample),
    TORQUE_VALUES: ("values", "value_count", struct.Struct("<dd"), TorqueValue),
    VOLTAGE_SAMPLES: ("samples", "sample_count", struct.Struct("<qdddddddd"), VoltageSample),
    VOLTAGE_VALUES: ("values", "value_count", struct.Struct("<dd"), VoltageValue),
    WINDING_SAMPLES: ("samples", "sample_count", struct.Struct("<dddd"), WindingSample),
}


def _crc_table():
    table = []
    for byte in range(256):
        for _ in range(8):
            byte = (byte >> 1) ^ (0x82F63B78 if byte & 1 else 0)
        table.append(byte)
    return table


_CRC_TABLE = _crc_table()


def crc32_iscsi(data):
    """CRC-32/ISCSI: 0xE3069283 for b"123456789"."""
    table, crc = _CRC_TABLE, 0xFFFFFFFF
    for byte in data:
        crc = table[(crc ^ byte) & 0xFF] ^ (crc >> 8)
    return crc ^ 0xFFFFFFFF


def as_text(text):
    """The text as it may cross: no control characters, at most 200 bytes of UTF-8, cut at a whole character."""
    clean = "".join(" " if unicodedata.category(character) == "Cc" else character for character in text)
    return clean.encode("utf-8", "replace")[:TEXT_BYTES_MAX].decode("utf-8", "ignore")


def encode(kind, sequence, **fields):
    """The bytes of a frame. Lengths and counts are worked out from the texts, samples and values."""
    number, fixed, tail = KINDS[kind]
    if isinstance(tail, str):
        name, count, layout, _ = ITEMS[tail]
        fields[count] = len(fields[name])
        behind = b"".join(layout.pack(*item) for item in fields[name])
    else:
        texts = [as_text(fields[name]).encode("utf-8") for name in tail]
        fields.update({name + "_bytes": len(text) for name, text in zip(tail, texts)})
        behind = b"".join(texts)
    payload = FIXED[kind].pack(*(fields[name] for name, _ in fixed)) + behind
    frame = HEADER.pack(MAGIC, VERSION, number, sequence, len(payload)) + payload
    return frame + struct.pack("<I", crc32_iscsi(frame))


def decode(data):
    """(kind, sequence, fields) of a frame; Malformed with the reason when it is none."""
    if len(data) < HEADER.size + CRC_BYTES:
        raise Malformed("too_short")
    magic, version, number, sequence, payload_bytes = HEADER.unpack_from(data)
    if magic != MAGIC:
        raise Malformed("magic")
    if len(data) != HEADER.size + payload_bytes + CRC_BYTES:
        raise Malformed("length")
    if crc32_iscsi(data[:-CRC_BYTES]) != struct.unpack("<I", data[-CRC_BYTES:])[0]:
        raise Malformed("crc")
    if version != VERSION and number != KINDS["refuse"][0]:
        raise Malformed("version")
    if number not in NAMES:
        raise Malformed("kind")
    kind = NAMES[number]
    return kind, sequence, _decode_payload(kind, data[HEADER.size:-CRC_BYTES])


def _decode_payload(kind, payload):
    _, fixed, tail = KINDS[kind]
    layout = FIXED[kind]
    if len(payload) < layout.size:
        raise Malformed("payload")
    fields = dict(zip((name for name, _ in fixed), layout.unpack_from(payload)))
    behind = payload[layout.size:]
    if isinstance(tail, str):
        name, count, item_layout, kind_of_item = ITEMS[tail]
        _check_size(behind, item_layout.size * fields[count])
        fields[name] = [kind_of_item(*item) for item in item_layout.iter_unpack(behind)]
    else:
        _check_size(behind, sum(fields[name + "_bytes"] for name in tail))
        for name in tail:
            length = fields[name + "_bytes"]
            fields[name] = behind[:length].decode("utf-8", "replace")
            behind = behind[length:]
    return fields


def _check_size(behind, size):
    if len(behind) != size:
        raise Malformed("payload")


def _mac(key, before, direction, challenge, nonce):
    text = before + bytes([direction]) + challenge + struct.pack("<Q", nonce)
    return hmac.new(key, text, hashlib.sha256).digest()[:MAC_BYTES]


def seal(frame, key, direction, challenge, nonce, counter):
    """The sealed form of a plain frame."""
    magic, version, number, sequence, payload_bytes = HEADER.unpack_from(frame)
    header = HEADER.pack(magic, version, number | SEALED_BIT, sequence, payload_bytes + SEAL_BYTES)
    before = header + frame[HEADER.size:-CRC_BYTES] + struct.pack("<Q", counter)
    sealed = before + _mac(key, before, direction, challenge, nonce)
    return sealed + struct.pack("<I", crc32_iscsi(sealed))


def unseal(sealed, key, direction, challenge, nonce):
    """(counter, plain frame) of a sealed one; Malformed with the reason when it is none."""
    if len(sealed) < HEADER.size + SEAL_BYTES + CRC_BYTES:
        raise Malformed("too_short")
    magic, version, number, sequence, payload_bytes = HEADER.unpack_from(sealed)
    if not number & SEALED_BIT or payload_bytes < SEAL_BYTES:
        raise Malformed("not_sealed")
    before, mac = sealed[:-CRC_BYTES - MAC_BYTES], sealed[-CRC_BYTES - MAC_BYTES:-CRC_BYTES]
    if not hmac.compare_digest(mac, _mac(key, before, direction, challenge, nonce)):
        raise Malformed("mac")
    header = HEADER.pack(magic, version, number & ~SEALED_BIT, sequence, payload_bytes - SEAL_BYTES)
    plain = header + before[HEADER.size:-COUNTER_BYTES]
    return struct.unpack("<Q", before[-COUNTER_BYTES:])[0], plain + struct.pack("<I", crc32_iscsi(plain))


class Channel:
    """A client's side of a sealed connection: counts what it sends, takes each counter of the bench's once."""

    def __init__(self, key, challenge, nonce=0):
        self.key, self.challenge, self.nonce = key, challenge, nonce
        self.sent, self.seen = 0, set()

    def seal(self, frame):
        """The frame as it leaves; sent again it has another counter."""
        self.sent += 1
        return seal(frame, self.key, TO_BENCH, self.challenge, self.nonce, self.sent)

    def unseal(self, sealed):
        """The plain frame; Malformed when it is none of this connection, or came before."""
        counter, frame = unseal(sealed, self.key, TO_CLIENT, self.challenge, self.nonce)
        lowest = max(self.seen, default=0) - WINDOW
        if counter in self.seen or counter <= max(lowest, 0):
            raise Malformed("replayed")
        self.seen = {number for number in self.seen | {counter} if counter - WINDOW < number}
        return frame


def stuff(frame):
    """A frame as it goes over a serial line: Consistent Overhead Byte Stuffing between two zeros."""
    out = bytearray(b"\0")
    runs = frame.split(b"\0")
    for place, run in enumerate(runs):
        # A last block of exactly 254 bytes has no code byte behind it.
        last = place == len(runs) - 1
        while len(run) > 254 or len(run) == 254 and not last:
            out += b"\xff" + run[:254]
            run = run[254:]
        out += bytes([len(run) + 1]) + run
    return bytes(out) + b"\0"


class Unstuffer:
    """Finds frames in what comes over a serial line, in pieces of any size; drops and counts what is none."""

    # A code byte per 254 bytes, one at least.
    PIECE_BYTES_MAX = FRAME_BYTES_MAX + FRAME_BYTES_MAX // 254 + 1

    def __init__(self):
        self.dropped = 0
        self._piece = bytearray()

    def frames(self, data):
        """The frames that end within data."""
        for place, piece in enumerate(data.split(b"\0")):
            if place:
                frame = self._unstuffed() if self._piece else None
                self._piece.clear()
                if frame is not None:
                    yield frame
            # What is too long already is kept one byte too long, so that it is seen to be.
            self._piece += piece[:self.PIECE_BYTES_MAX + 1 - len(self._piece)]

    def _unstuffed(self):
        piece, out, place = self._piece, bytearray(), 0
        while place < len(piece):
            code = piece[place]
            block = piece[place + 1:place + code]
            if len(block) != code - 1 or self.PIECE_BYTES_MAX < len(piece):
                self.dropped += 1
                return None
            out += block
            place += code
            if code != 0xFF and place < len(piece):
                out.append(0)
        return bytes(out)


def parse_link(link):
    """(carrier, host, port) of udp:HOST:PORT or sealed-udp:HOST:PORT, IPv6 hosts in brackets; of serial:PATH:BAUD
    ("serial", path, baud)."""
    carrier, _, rest = link.partition(":")
    where, _, number = rest.rpartition(":")
    if carrier not in ("udp", "sealed-udp", "serial") or not where or not number.isdigit():
        raise LinkError(f"the link is {link!r}; expected udp:HOST:PORT, sealed-udp:HOST:PORT or serial:PATH:BAUD")
    return carrier, where if carrier == "serial" else where.strip("[]"), int(number)


class UdpCarrier:
    """Datagrams: one frame each, sealed where asked for and always beyond this machine."""

    def __init__(self, host, port, key, sealed):
        family, _, _, _, self._peer = socket.getaddrinfo(host, port, type=socket.SOCK_DGRAM)[0]
        self._socket = socket.socket(family, socket.SOCK_DGRAM)
        sealed = sealed or not ipaddress.ip_address(self._peer[0].partition("%")[0]).is_loopback
        # Stands in the open where the token would: the token is the key then and never crosses.
        self.challenge = secrets.token_bytes(16) if sealed else None
        self._channel = Channel(key, self.challenge) if sealed else None

    def send(self, frame):
        """Sends a frame."""
        if self._channel:
            frame = self._channel.seal(frame)
        try:
            self._socket.sendto(frame, self._peer)
        except ConnectionError:
            pass  # Nobody listens yet, or any more: the same as a lost frame.

    def receive(self, timeout_s):
        """The next frame from the bench, or None; Malformed when its seal does not hold."""
        self._socket.settimeout(max(timeout_s, 1e-3))
        try:
            data, sender = self._socket.recvfrom(4096)
        except (socket.timeout, ConnectionError):
            return None
        if sender[:2] != tuple(self._peer[:2]):
            return None
        return self._channel.unseal(data) if self._channel else data

    def follow(self, port, nonce):
        """Talks to the bench's other port from now on; a seal holds for this connection alone."""
        self._peer = (self._peer[0], port) + tuple(self._peer[2:])
        if self._channel:
            self._channel = Channel(self._channel.key, self.challenge, nonce)

    def close(self):
        """Frees the socket."""
        self._socket.close()


class SerialCarrier:
    """A serial line or a pseudo-terminal: raw, 8N1, frames stuffed, never sealed."""

    challenge = None

    def __init__(self, path, baud):
        speed = getattr(termios, f"B{baud}", None)
        if speed is None:
            known = sorted(int(name[1:]) for name in dir(termios) if name[0] == "B" and name[1:].isdigit())
            raise LinkError(f"{baud} baud is unknown here; known are {', '.join(map(str, known[1:]))}")
        try:
            self._line = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        except OSError as reason:
            raise LinkError(f"cannot open {path}: {reason.strerror}; is it plugged in, and yours to use (group "
                            "dialout)?") from None
        self._path, self._unstuffer, self._waiting = path, Unstuffer(), []
        try:
            fcntl.ioctl(self._line, termios.TIOCEXCL)
            settings = termios.tcgetattr(self._line)
            settings[0] = settings[1] = settings[3] = 0
            settings[2] = termios.CS8 | termios.CREAD | termios.CLOCAL
            settings[4] = settings[5] = speed
            settings[6][termios.VMIN], settings[6][termios.VTIME] = 1, 0
            termios.tcsetattr(self._line, termios.TCSANOW, settings)
        except (OSError, termios.error):
            os.close(self._line)
            raise LinkError(f"{path} is no serial line") from None

    def send(self, frame):
        """Sends a frame, waiting until the line has taken it."""
        rest = stuff(frame)
        try:
            while rest:
                select.select([], [self._line], [])
                rest = rest[os.write(self._line, rest):]
        except OSError as reason:
            raise LinkError(f"lost the line {self._path}: {reason.strerror}") from None

    def receive(self, timeout_s):
        """The next frame from the bench, or None."""
        until = time.monotonic() + timeout_s
        while not self._waiting:
            left_s = until - time.monotonic()
            if left_s <= 0.0 or not select.select([self._line], [], [], left_s)[0]:
                return None
            try:
                data = os.read(self._line, 4096)
            except OSError as reason:
                raise LinkError(f"lost the line {self._path}: {reason.strerror}") from None
            if not data:
                raise LinkError(f"lost the line {self._path}: it hung up")
            self._waiting.extend(self._unstuffer.frames(data))
        return self._waiting.pop(0)

    def follow(self, port, nonce):
        """A line has one other end."""

    def close(self):
        """Frees the line."""
        if self._line is not None:
            os.close(self._line)
        self._line = None


class Link:
    """What every client of the bench has: a carrier, requests asked again, settings. See Client and TorqueClient.

    Everything blocks; nothing waits longer than patience_s, then raises TimedOut. Used in a with statement it frees its
    socket or line at the end; it says nothing to the bench then, close() does.
    """

    COMMANDS = None

    def __init__(self, link=None, token=None, name="python", patience_s=15.0):
        link = link if link is not None else os.environ.get("PLANTSTAND_LINK")
        token = token if token is not None else os.environ.get("PLANTSTAND_TOKEN")
        if not link or not token:
            raise LinkError("PLANTSTAND_LINK and PLANTSTAND_TOKEN must be set: start this program through the bench")
        try:
            self._token = bytes.fromhex(token)
        except ValueError:
            self._token = b""
        if len(self._token) != 16:
            raise LinkError("PLANTSTAND_TOKEN is not 32 hex digits")
        carrier, where, number = parse_link(link)
        self._carrier = (SerialCarrier(where, number) if carrier == "serial" else
                         UdpCarrier(where, number, self._token, carrier == "sealed-udp"))
        self._name, self._patience_s = name, patience_s
        self._sequence, self._received_at = 0, 0.0
        self._settings = {}
        self.facts = None
        self.phase = None
        self.malformed = {}

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self._carrier.close()

    def open(self):
        """Opens, follows the bench to its new port, and returns the facts of the run."""
        token = self._carrier.challenge or self._token
        accept = self._ask("open", ("accept", "refuse"), token=token, name=self._name)
        if "reason" in accept:
            reason = REFUSE_REASONS.get(accept["reason"], accept["reason"])
            versions = f"the bench speaks versions {accept['version_min']} to {accept['version_max']}"
            raise Refused(f"the bench refuses: {reason}: {accept['detail']} ({versions})")
        commands, pace = COMMANDS.get(accept["commands"], "?"), PACES.get(accept["pace"], "?")
        if commands != self.COMMANDS:
            raise LinkError(f"this client commands {self.COMMANDS}, the bench wants {commands}")
        self._carrier.follow(accept["port"], accept["nonce"])
        self.facts = Facts(accept["tick_hz"], accept["stride_ticks"], accept["endless"],
                           (accept["travel_min_deg"], accept["travel_max_deg"]),
                           (accept["window_min_deg"], accept["window_max_deg"]), accept["path_deg"],
                           accept["max_speed_rad_per_s"], accept["time_s"], accept["title"], pace)
        # The bench begins with the first frame at its new port; a sealed bench with nothing else.
        self._ask("probe", ("echo", "phase", "feedback"), nonce=accept["nonce"])
        return self.facts

    def settings(self):
        """The drive's whole table by name, asked for once."""
        total = 1
        while len(self._settings) < total:
            row = self._ask("setting_list", ("setting_row", "setting_answer"), index=len(self._settings))
            if "total" not in row:
                raise Refused(f"no row {len(self._settings)} in the table of settings")
            total = row["total"]
            self._settings[row["name"]] = Setting(row["number"], row["name"], row["unit"], row["low"], row["high"],
                                                  row["value"], row["default"], row["writable_while_enabled"])
        return self._settings

    def read(self, name):
        """The volatile value of a setting, in the unit of its name."""
        return self._setting(name, "setting_read", number=self._number(name))

    def write(self, name, value):
        """Changes a volatile value; acts from the next tick. Refused when the drive refuses it."""
        return self._setting(f"{name} = {value}", "setting_write", number=self._number(name), value=value)

    def store(self):
        """Stores all settings. What is not stored is lost at the power cycle after done."""
        self._setting("store", "store")

    def hand_action(self, action):
        """What a person at the machine would do; Refused with the bench's reason otherwise."""
        answer = self._ask("hand_action", ("hand_answer",), action=HAND_ACTIONS[action])
        if answer["outcome"] != 0:
            raise Refused(f"{action}: {HAND_OUTCOMES.get(answer['outcome'], answer['outcome'])}")

    def log(self, text):
        """A line for the record; cut at 200 bytes; not answered."""
        self._send(encode("log", self._next_sequence(), text=text))

    def close(self, reason=1):
        """Says goodbye; before done this makes the trial void. 1 is leaving, 5 is failed."""
        self._send(encode("close", self._next_sequence(), reason=reason))
        self._carrier.close()

    # From here on: how it works inside.

    def _number(self, name):
        if name not in self.settings():
            raise Refused(f"the drive has no setting {name}")
        return self.settings()[name].number

    def _setting(self, what, kind, **fields):
        answer = self._ask(kind, ("setting_answer",), **fields)
        if answer["outcome"] != 0:
            raise Refused(f"{what}: {SETTING_OUTCOMES.get(answer['outcome'], answer['outcome'])}")
        return answer["value"]

    def _next_sequence(self):
        self._sequence = self._sequence % 0xFFFFFFFF + 1
        return self._sequence

    def _send(self, frame):
        self._carrier.send(frame)

    def _compute_us(self):
        """How long this side has thought about what it received last."""
        return min(int((time.monotonic() - self._received_at) * 1e6), 0xFFFFFFFF)

    def _ask(self, kind, answers, patience_s=None, **fields):
        """Sends a request, again every 100 ms, until its answer comes."""
        sequence = self._next_sequence()
        frame = encode(kind, sequence, **fields)
        patience_s = self._patience_s if patience_s is None else patience_s
        give_up_at = time.monotonic() + patience_s
        resend_s = RESEND_S
        while time.monotonic() < give_up_at:
            self._send(frame)
            resend_at = time.monotonic() + resend_s
            while time.monotonic() < resend_at:
                found, answer = self._receive(resend_at - time.monotonic())
                if found in answers and answer.get("request", sequence) == sequence:
                    return answer
            if kind == "done" and self.phase != "tuning":
                resend_s = 1.0
        raise TimedOut(f"no answer to {kind} within {patience_s} s")

    def _receive(self, timeout_s):
        """One frame from the bench, or (None, None). What needs no caller is dealt with here."""
        try:
            data = self._carrier.receive(timeout_s)
            if data is None:
                return None, None
            kind, sequence, fields = decode(data)
        except Malformed as reason:
            self.malformed[str(reason)] = self.malformed.get(str(reason), 0) + 1
            return None, None
        if kind == "phase":
            self._begin(sequence, fields)
        elif kind == "probe":
            self._send(encode("echo", self._next_sequence(), nonce=fields["nonce"]))
        elif kind == "close":
            raise Closed(f"the bench closed: {CLOSE_REASONS.get(fields['reason'], fields['reason'])}")
        else:
            self._heard(kind, fields)
        return kind, fields

    def _begin(self, _sequence, fields):
        """A part of the trial begins."""
        self.phase = PHASES.get(fields["phase"])

    def _heard(self, kind, fields):
        """Deals with a frame that nobody may be waiting for."""


def _result(fields):
    return Result(VERDICTS.get(fields["verdict"], "unknown"), fields["grade_percent"], fields["text"])


class Client(Link):
    """One connection to a bench whose own drive closes the speed loop (commands = "speed"), in lockstep.

    After open() there is always one feedback that waits for its answer: client.feedback. exchange() answers it and
    returns the next. controlword is what every command carries until enable(), disable() or you change it. Everything
    blocks; nothing waits longer than patience_s (done() has its own), then raises TimedOut.
    """

    COMMANDS = "speed"

    def __init__(self, link=None, token=None, name="python", patience_s=15.0):
        super().__init__(link, token, name, patience_s)
        self._last_command, self._answered = b"", -1
        self.feedback = None
        self.controlword = DISABLE_VOLTAGE

    def open(self):
        """Opens, follows the bench to its new port, waits for the first feedback and returns the facts."""
        facts = super().open()
        if facts.pace != "lockstep":
            raise LinkError(f"this client runs in lockstep, the bench in {facts.pace}")
        self._wait_for_feedback()
        return facts

    def exchange(self, values=()):
        """Answers the waiting feedback and returns the next one.

        values: none (the last value stays), one (held) or one per tick of the stride. They act in the very ticks whose
        samples come back: the feedback returned shows what they did.
        """
        if len(values) not in (0, 1, self.facts.stride_ticks):
            raise ValueError(f"{len(values)} values; allowed are 0, 1 and {self.facts.stride_ticks}")
        self._answered = self.feedback.exchange
        self._last_command = encode("command", self._next_sequence(), exchange=self._answered,
                                    controlword=self.controlword, compute_us=self._compute_us(), values=values)
        self._send(self._last_command)
        self._wait_for_feedback()
        return self.feedback

    def enable(self, timeout_s=1.0):
        """Walks to operation enabled with setpoint 0, within a simulated time, until a brake is open and setpoints are
        followed. A latched trip is reset on the way."""
        walk = {"switch on disabled": SHUTDOWN, "ready to switch on": SWITCH_ON, "switched on": ENABLE_OPERATION,
                "fault": FAULT_RESET, "operation enabled": ENABLE_OPERATION}
        for _ in range(self._exchanges(timeout_s)):
            state = self.feedback.state
            word = walk.get(state, DISABLE_VOLTAGE)
            # A reset is a rising edge: fall back to 0 where the last word already had the bit.
            self.controlword = DISABLE_VOLTAGE if word == FAULT_RESET == self.controlword else word
            if state == "operation enabled" and not self.hindrances():
                return self.feedback
            self.exchange([Value()])
        why = ", ".join([self.trip_name(), *self.hindrances()])
        raise LinkError(f"the drive stays in {self.feedback.state}, {why}")

    def disable(self, timeout_s=1.0):
        """Takes the torque off, when a brake is closed or at once: bring the axis to rest first."""
        self.controlword = SHUTDOWN
        for _ in range(self._exchanges(timeout_s)):
            if self.feedback.state not in ("operation enabled", "quick stop active"):
                return self.feedback
            self.exchange([Value()])
        raise LinkError(f"the drive stays in {self.feedback.state}")

    def hindrances(self):
        """Why the drive does not enable, or does not follow, beside a trip: a list of words, empty when nothing is there."""
        return [words for bit, words in HINDRANCES.items() if self.feedback.statusword & bit]

    def trip_name(self):
        """The latched trip in words."""
        return f"trip: {TRIPS.get(self.feedback.trip, self.feedback.trip)}" if self.feedback.trip else "no trip"

    def winding_test(self, axis_d_voltage_v, time_s):
        """A voltage on the d axis of the enabled axis at rest: (how it ended, its WindingSamples, one per tick)."""
        answer = self._ask("winding_test", ("winding_answer",), axis_d_voltage_v=axis_d_voltage_v, time_s=time_s)
        if answer["outcome"] != 0:
            raise Refused(f"winding test: {WINDING_OUTCOMES.get(answer['outcome'], answer['outcome'])}")
        samples, state = [], 1
        while state == 1:
            self.exchange([])
            state = self._ask("winding_read", ("winding_answer",), first=0)["state"]
        while True:
            answer = self._ask("winding_read", ("winding_answer",), first=len(samples))
            samples += answer["samples"]
            if answer["total"] <= len(samples):
                return WINDING_STATES[state], samples

    def done(self, patience_s=600.0):
        """Says that tuning is finished, waits for the verdict, and closes."""
        result = self._ask("done", ("result",), patience_s=patience_s)
        self.close()
        return _result(result)

    # From here on: how it works inside.

    def _exchanges(self, time_s):
        return max(1, round(time_s * self.facts.tick_hz / self.facts.stride_ticks))

    def _wait_for_feedback(self):
        give_up_at = time.monotonic() + self._patience_s
        while self.feedback is None or self.feedback.exchange == self._answered:
            if give_up_at < time.monotonic():
                raise TimedOut(f"no feedback within {self._patience_s} s")
            self._receive(RESEND_S)

    def _heard(self, kind, fields):
        if kind == "feedback":
            self._take(fields)

    def _take(self, fields):
        """A new feedback is kept; a repeated one gets the identical answer, if it had one."""
        if self.phase is None:
            self.phase = "tuning"
        if fields["exchange"] == self._answered:
            self._send(self._last_command)
        elif self.feedback is None or self.feedback.exchange < fields["exchange"]:
            self.feedback = Feedback(fields["exchange"], fields["first_tick"], fields["trip"], fields["statusword"],
                                     fields["samples"])
            self._received_at = time.monotonic()


class TorqueClient(Link):
    """One connection to a bench whose speed loop is closed here (commands = "torque"), in lockstep or real time.

    run() serves the bench until its verdict. It is given a function that is called with each feedback and returns the
    torques that answer it: none (the last one stays), one TorqueValue (held) or one per tick of the stride.
    """

    COMMANDS = "torque"
    FEEDBACK, COMMAND = "torque_feedback", "torque_command"

    def __init__(self, link=None, token=None, name="python", patience_s=15.0):
        super().__init__(link, token, name, patience_s)
        self._control, self._reset = None, None
        self._acknowledged, self._acknowledgement = None, b""
        self._answered, self._last_command = -1, b""

    def run(self, control, reset=lambda: None):
        """Says done at once, since there is nothing to tune here, and serves every phase; returns the verdict.

        reset() is called where the controller has to forget its sums and filters: before each phase but tuning. A
        setting of the drive is written, and stored, before run(). Raises TimedOut when nothing comes for patience_s.
        """
        self._control, self._reset = control, reset
        done, done_at, heard_at = b"", 0.0, time.monotonic()
        while True:
            kind, fields = self._receive(RESEND_S)
            now = time.monotonic()
            heard_at = now if kind else heard_at
            if kind == "result":
                self.close()
                return _result(fields)
            if self._patience_s < now - heard_at:
                raise TimedOut(f"nothing from the bench within {self._patience_s} s")
            # Again every 100 ms until another phase comes; then now and then, for the result may be lost.
            if self.phase and done_at + (RESEND_S if self.phase == "tuning" else 1.0) <= now:
                done = done or encode("done", self._next_sequence())
                self._send(done)
                done_at = now

    # From here on: how it works inside.

    def _begin(self, sequence, fields):
        """Acknowledges a phase; a repeated one gets the identical answer, and resets nothing."""
        super()._begin(sequence, fields)
        if self.phase == "over":
            return
        if sequence != self._acknowledged:
            if self.phase != "tuning" and self._reset:
                self._reset()
            self._acknowledged = sequence
            if self.phase != "reset":
                self._answered = -1
            self._acknowledgement = encode("phase_acknowledgement", self._next_sequence(), **fields)
        self._send(self._acknowledgement)

    def _heard(self, kind, fields):
        """Answers a feedback once run() is on; a repeated one gets the identical answer."""
        if kind != self.FEEDBACK or self._control is None:
            return
        if fields["exchange"] == self._answered:
            self._send(self._last_command)
        elif self._is_next(fields["exchange"]):
            self._received_at = time.monotonic()
            feedback = Feedback(fields["exchange"], fields["first_tick"], fields["trip"], fields["statusword"],
                                fields["samples"])
            values = self._control(feedback)
            # While tuning nobody walks the drive here: it stays switched off, without torque.
            controlword = DISABLE_VOLTAGE if self.phase == "tuning" else ENABLE_OPERATION
            self._answered = feedback.exchange
            self._last_command = encode(self.COMMAND, self._next_sequence(), exchange=feedback.exchange,
                                        controlword=controlword, compute_us=self._compute_us(), values=values)
            self._send(self._last_command)

    def _is_next(self, exchange):
        """In real time some may have been lost; in lockstep another one is left over from the phase before."""
        if self.facts.pace == "lockstep":
            return exchange in (self._answered + 1, 0)
        return self._answered < exchange


class VoltageClient(TorqueClient):
    """The same where the current loop is closed here too (commands = "voltage"): control() answers with VoltageValues."""

    COMMANDS = "voltage"
    FEEDBACK, COMMAND = "voltage_feedback", "voltage_command"
