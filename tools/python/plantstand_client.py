# Long because it is one file that a person copies beside a method: frames, link and settings together.
"""A client of plantstand's link, in one file, standard library only (Python 3.9 or newer).

What it does: opens the link, answers feedback with commands, reads, writes and stores the drive's settings by name,
logs, says done and waits for the verdict. What it does not: decide anything about a machine (see
step_and_back_off.py for a method). It speaks version 1 of src/wire/PROTOCOL.md over UDP, in lockstep, where the
outside commands speed.

Start reading at Client. The shortest method there is:

    client = Client(name="nothing")
    client.open()                  # PLANTSTAND_LINK and PLANTSTAND_TOKEN from the environment
    client.enable()
    feedback = client.exchange([Value(speed_rad_per_s=10.0)])
    client.write("speed_gain_nms_per_rad", 0.1)
    client.store()
    print(client.done())

Cautions. The bench is a simulator; a pass is no proof that a machine is safe or that settings suit it. Never connect
this client, or the bench's link, to a drive that can move real machinery. At a machine the maker's instructions and
the site's rules come first.
"""

import hashlib
import hmac
import ipaddress
import os
import secrets
import socket
import struct
import time
import unicodedata
from typing import NamedTuple

VERSION = 1
MAGIC = b"PS"
HEADER = struct.Struct("<2sBBIH")
CRC_BYTES = 4
TEXT_BYTES_MAX = 200
STRIDE_TICKS_MAX = 64
RESEND_S = 0.1
# Sealed frames: the kind's highest bit, then a counter and half an HMAC-SHA-256 before the checksum.
SEALED_BIT, SEAL_BYTES, COUNTER_BYTES, MAC_BYTES = 0x80, 24, 8, 16
TO_BENCH, TO_CLIENT = 1, 2
WINDOW = 64

# Kind: number, fixed fields as (name, struct letter), and what stands behind them. 16s is the token, ? a flag.
SAMPLES, VALUES = "samples", "values"
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
}
NAMES = {number: name for name, (number, _, _) in KINDS.items()}
FIXED = {name: struct.Struct("<" + "".join(letter for _, letter in fields)) for name, (_, fields, _) in KINDS.items()}

REFUSE_REASONS = {1: "version", 2: "token", 3: "busy", 4: "open_again", 5: "over"}
CLOSE_REASONS = {1: "leaving", 2: "over", 3: "silent", 4: "out_of_time", 5: "failed", 6: "replaced"}
PHASES = {1: "tuning", 2: "power_cycle", 3: "examination", 4: "over"}
VERDICTS = {1: "pass", 2: "fail", 3: "void"}
SETTING_OUTCOMES = {0: "done", 1: "unknown", 2: "out_of_range", 3: "not_while_enabled", 4: "not_finite", 5: "locked",
                    6: "read_only"}
HAND_OUTCOMES = {0: "done", 1: "not_at_rest", 2: "not_while_enabled", 3: "locked", 4: "not_here", 5: "not_built_yet"}
HAND_ACTIONS = {"couple": 1, "uncouple": 2, "press_emergency_stop": 3, "release_emergency_stop": 4, "open_guard": 5,
                "close_guard": 6, "power_cycle": 7, "set_brake": 8, "lift_brake": 9}
TRIPS = {1: "overspeed", 2: "speed deviation", 3: "travel limit", 4: "commander silent"}

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
        """Mean torque command of the exchange."""
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


SAMPLE, VALUE = struct.Struct("<qddddd"), struct.Struct("<ddd")


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
    if tail is SAMPLES:
        items = fields["samples"]
        fields["sample_count"] = len(items)
        behind = b"".join(SAMPLE.pack(*item) for item in items)
    elif tail is VALUES:
        items = fields["values"]
        fields["value_count"] = len(items)
        behind = b"".join(VALUE.pack(*item) for item in items)
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
    if tail is SAMPLES:
        _check_size(behind, SAMPLE.size * fields["sample_count"])
        fields["samples"] = [Sample(*item) for item in SAMPLE.iter_unpack(behind)]
    elif tail is VALUES:
        _check_size(behind, VALUE.size * fields["value_count"])
        fields["values"] = [Value(*item) for item in VALUE.iter_unpack(behind)]
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


def parse_link(link):
    """(host, port, sealed) of udp:HOST:PORT or sealed-udp:HOST:PORT; IPv6 hosts in brackets."""
    carrier, _, rest = link.partition(":")
    host, _, port = rest.rpartition(":")
    if carrier not in ("udp", "sealed-udp") or not host or not port.isdigit():
        raise LinkError(f"the link is {link!r}; expected udp:HOST:PORT")
    return host.strip("[]"), int(port), carrier == "sealed-udp"


class Client:
    """One connection to a bench.

    After open() there is always one feedback that waits for its answer: client.feedback. exchange() answers it and
    returns the next. Everything blocks; nothing waits longer than patience_s (done() has its own), then raises
    TimedOut. controlword is what every command carries until enable(), disable() or you change it. Used in a with
    statement it frees its socket at the end; it says nothing to the bench then, close() and done() do.
    """

    def __init__(self, link=None, token=None, name="python", patience_s=15.0):
        link = link if link is not None else os.environ.get("PLANTSTAND_LINK")
        token = token if token is not None else os.environ.get("PLANTSTAND_TOKEN")
        if not link or not token:
            raise LinkError("PLANTSTAND_LINK and PLANTSTAND_TOKEN must be set: start this program through the bench")
        host, port, sealed = parse_link(link)
        try:
            self._token = bytes.fromhex(token)
        except ValueError:
            self._token = b""
        if len(self._token) != 16:
            raise LinkError("PLANTSTAND_TOKEN is not 32 hex digits")
        family, _, _, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_DGRAM)[0]
        self._socket = socket.socket(family, socket.SOCK_DGRAM)
        self._peer = address
        # Beyond this machine every frame is sealed; the token is the key then and never crosses.
        sealed = sealed or not ipaddress.ip_address(address[0].partition("%")[0]).is_loopback
        self._channel = Channel(self._token, secrets.token_bytes(16)) if sealed else None
        self._name, self._patience_s = name, patience_s
        self._sequence, self._last_command, self._answered, self._received_at = 0, b"", -1, 0.0
        self._settings = {}
        self.facts = None
        self.feedback = None
        self.phase = None
        self.controlword = DISABLE_VOLTAGE
        self.malformed = {}

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self._socket.close()

    def open(self):
        """Opens, follows the bench to its new port, waits for the first feedback and returns the facts."""
        token = self._channel.challenge if self._channel else self._token
        accept = self._ask("open", ("accept", "refuse"), token=token, name=self._name)
        if "reason" in accept:
            reason = REFUSE_REASONS.get(accept["reason"], accept["reason"])
            versions = f"the bench speaks versions {accept['version_min']} to {accept['version_max']}"
            raise Refused(f"the bench refuses: {reason}: {accept['detail']} ({versions})")
        if (accept["commands"], accept["pace"]) != (1, 1):
            raise LinkError("this client commands speed in lockstep only, the bench wants something else")
        self._peer = (self._peer[0], accept["port"]) + tuple(self._peer[2:])
        if self._channel:
            self._channel = Channel(self._token, self._channel.challenge, accept["nonce"])
        # The bench begins with the first frame at its new port; a sealed bench with nothing else.
        self._ask("probe", ("echo", "feedback"), nonce=accept["nonce"])
        self.facts = Facts(accept["tick_hz"], accept["stride_ticks"], accept["endless"],
                           (accept["travel_min_deg"], accept["travel_max_deg"]),
                           (accept["window_min_deg"], accept["window_max_deg"]), accept["path_deg"],
                           accept["max_speed_rad_per_s"], accept["time_s"], accept["title"])
        self._wait_for_feedback()
        return self.facts

    def exchange(self, values=()):
        """Answers the waiting feedback and returns the next one.

        values: none (the last value stays), one (held) or one per tick of the stride. They act in the very ticks whose
        samples come back: the feedback returned shows what they did.
        """
        if len(values) not in (0, 1, self.facts.stride_ticks):
            raise ValueError(f"{len(values)} values; allowed are 0, 1 and {self.facts.stride_ticks}")
        compute_us = min(int((time.monotonic() - self._received_at) * 1e6), 0xFFFFFFFF)
        self._answered = self.feedback.exchange
        self._last_command = encode("command", self._next_sequence(), exchange=self._answered,
                                    controlword=self.controlword, compute_us=compute_us, values=values)
        self._send(self._last_command)
        self._wait_for_feedback()
        return self.feedback

    def enable(self, timeout_s=1.0):
        """Walks to operation enabled with setpoint 0, within a simulated time. A latched trip is reset on the way."""
        walk = {"switch on disabled": SHUTDOWN, "ready to switch on": SWITCH_ON, "switched on": ENABLE_OPERATION,
                "fault": FAULT_RESET, "operation enabled": ENABLE_OPERATION}
        for _ in range(self._exchanges(timeout_s)):
            state = self.feedback.state
            word = walk.get(state, DISABLE_VOLTAGE)
            # A reset is a rising edge: fall back to 0 where the last word already had the bit.
            self.controlword = DISABLE_VOLTAGE if word == FAULT_RESET == self.controlword else word
            if state == "operation enabled":
                return self.feedback
            self.exchange([Value()])
        raise LinkError(f"the drive stays in {self.feedback.state}, {self.trip_name()}")

    def disable(self, timeout_s=1.0):
        """Takes the torque off at once: bring the axis to rest first."""
        self.controlword = SHUTDOWN
        for _ in range(self._exchanges(timeout_s)):
            if self.feedback.state not in ("operation enabled", "quick stop active"):
                return self.feedback
            self.exchange([Value()])
        raise LinkError(f"the drive stays in {self.feedback.state}")

    def trip_name(self):
        """The latched trip in words."""
        return f"trip: {TRIPS.get(self.feedback.trip, self.feedback.trip)}" if self.feedback.trip else "no trip"

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

    def done(self, patience_s=600.0):
        """Says that tuning is finished, waits for the verdict, and closes."""
        result = self._ask("done", ("result",), patience_s=patience_s)
        self.close()
        return Result(VERDICTS.get(result["verdict"], "unknown"), result["grade_percent"], result["text"])

    def close(self, reason=1):
        """Says goodbye; before done this makes the trial void. 1 is leaving, 5 is failed."""
        self._send(encode("close", self._next_sequence(), reason=reason))
        self._socket.close()

    # From here on: how it works inside.

    def _exchanges(self, time_s):
        return max(1, round(time_s * self.facts.tick_hz / self.facts.stride_ticks))

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
        if self._channel:
            frame = self._channel.seal(frame)
        try:
            self._socket.sendto(frame, self._peer)
        except ConnectionError:
            pass  # Nobody listens yet, or any more: the same as a lost frame.

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

    def _wait_for_feedback(self):
        give_up_at = time.monotonic() + self._patience_s
        while self.feedback is None or self.feedback.exchange == self._answered:
            if give_up_at < time.monotonic():
                raise TimedOut(f"no feedback within {self._patience_s} s")
            self._receive(RESEND_S)

    def _receive(self, timeout_s):
        """One frame from the bench, or (None, None). What needs no caller is dealt with here."""
        self._socket.settimeout(max(timeout_s, 1e-3))
        try:
            data, sender = self._socket.recvfrom(4096)
        except (socket.timeout, ConnectionError):
            return None, None
        if sender[:2] != tuple(self._peer[:2]):
            return None, None
        try:
            kind, _, fields = decode(self._channel.unseal(data) if self._channel else data)
        except Malformed as reason:
            self.malformed[str(reason)] = self.malformed.get(str(reason), 0) + 1
            return None, None
        if kind == "feedback":
            self._take(fields)
        elif kind == "phase":
            self.phase = PHASES.get(fields["phase"])
        elif kind == "probe":
            self._send(encode("echo", self._next_sequence(), nonce=fields["nonce"]))
        elif kind == "close":
            raise Closed(f"the bench closed: {CLOSE_REASONS.get(fields['reason'], fields['reason'])}")
        return kind, fields

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
