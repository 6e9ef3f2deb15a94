"""A site as it stands in its TOML file, checked for shape by pydantic.

What needs more than one key, or the profiles, to be judged is in controller/site_rules.py.
"""

from __future__ import annotations

import re
from typing import Annotated, Literal
from urllib.parse import urlsplit

from pydantic import AfterValidator, Discriminator, Field, Tag

from controller.sequences_model import SequenceSpec
from controller.site_topics import MqttTopic
from controller.triggers_model import TriggerSpec
from profiles.items import Name, Strict, kind_tag

__all__ = [
    "AnnounceSpec",
    "BusSpec",
    "JournalSpec",
    "MqttSpec",
    "Role",
    "SenseSpec",
    "Site",
    "SiteSpec",
    "TlsSpec",
    "Topology",
    "UnitSpec",
]

Topology = Literal["ring", "open", "shared", "tap"]
Role = Literal["source", "preamplifier", "power-amplifier", "display", "motor", "lighting", "relay", "other"]

_USB = re.compile(r"usb:[0-9a-f]{4}:[0-9a-f]{4}(:.+)?", re.IGNORECASE)
_URL = re.compile(r"[a-z][a-z0-9+.-]*://.*", re.IGNORECASE)


def _port(text: str) -> str:
    if not text or not text.isprintable():
        raise ValueError('is no port; write a path, "usb:VID:PID" or a URL such as "sim://"')
    if text.lower().startswith("usb:") and not _USB.fullmatch(text):
        raise ValueError(
            f"{text!r} names no USB device; write usb:VID:PID or usb:VID:PID:SERIAL, each of VID and PID in "
            "four hexadecimal digits (`linewarden ports` shows them)"
        )
    if "://" in text and not _URL.fullmatch(text):
        raise ValueError(f"{text!r} is no URL; write it as SCHEME://...")
    return text


def _broker(text: str) -> str:
    try:
        url = urlsplit(text)
        port = url.port
    except ValueError:
        raise ValueError(f"{text!r} is no address; write mqtt://HOST:PORT or mqtts://HOST:PORT") from None
    if url.scheme not in ("mqtt", "mqtts") or not url.hostname or port == 0:
        raise ValueError(f"{text!r} is no broker; write mqtt://HOST:PORT, or mqtts://HOST:PORT for TLS")
    if url.username is not None or url.password is not None:
        raise ValueError("has a user or a secret in it; use `user` and `secret_file`")
    if url.path not in ("", "/") or url.query or url.fragment:
        raise ValueError(f"{text!r} has more than a host and a port; leave out what comes after them")
    return text


class SiteSpec(Strict):
    """What the site is called."""

    id: Name = Field(examples=['"larkfield-hall"'])
    title: str = ""


class BusSpec(Strict):
    """One bus: where its adapter is, and how it is wired."""

    port: Annotated[str, AfterValidator(_port)] = Field(examples=['"/dev/ttyUSB0"'])
    """A path, ``usb:VID:PID[:SERIAL]``, or any pyserial URL."""
    profile: str = Field(min_length=1, examples=['"pellgate-chain"'])
    """A profile's name, or a path relative to the site file."""
    topology: Topology = Field(examples=['"ring"'])
    units_expected: int | None = Field(default=None, ge=1, le=1000)
    """Store-and-forward units in the ring."""
    pass_on: bool = False
    """Whether frames that we did not send are repeated, as a unit of the ring would."""
    hears_itself: bool | None = None
    """Whether the adapter receives what it sends; must be said of a shared line."""
    dtr: bool | None = None
    """The level of DTR before the port is opened; None leaves the driver's own."""
    rts: bool | None = None
    """The same of RTS."""
    rs485: bool = False
    """Whether the driver is to switch an RS-485 transceiver's direction."""
    rate_per_s: float | None = Field(default=None, gt=0, le=1000)
    """Most commands a second; None for no limit."""
    allow_raw: bool = False
    """Whether raw bytes may be sent from this machine."""
    adapter_latency_ms: float | None = Field(default=None, ge=0, le=10_000)
    """How long the adapter keeps a byte at least, as ``linewarden adapter`` measures it."""
    adapter_jitter_ms: float | None = Field(default=None, ge=0, le=10_000)
    """How much longer it may keep it."""
    adapter_inverts: bool = False
    """Whether the adapter turns the levels round, as a line that idles low needs."""
    probe_every_s: float | None = Field(default=None, ge=10, le=604_800)
    """After so many seconds without a sign that the line is whole, the profile's harmless probe is sent."""


MqttActions = Annotated[
    Annotated[Literal["all", "none"], Tag("is:str")] | Annotated[list[Name], Tag("is:list")],
    Discriminator(
        kind_tag,
        custom_error_type="actions_kind",
        custom_error_message='must be "all", "none", or a list of actions such as ["standby"]',
    ),
]


class SenseSpec(Strict):
    """A sense input: the unit's own trigger output, joined to a control line of an adapter."""

    bus: Name = Field(examples=['"hall"'])
    """Whose adapter; it need not be the unit's own bus."""
    line: Literal["cts", "dsr", "dcd", "ri"] = Field(examples=['"cts"'])
    state: Name = "power"
    """Which of the unit's states it tells: one that is true or false."""
    active: Literal["high", "low"] = "high"
    """The level that means true; high is asserted, on an RS-232 port a positive voltage."""
    debounce_ms: float = Field(default=50.0, ge=0, le=10_000)
    """For how long the line has to be steady before it counts."""
    grace_s: float = Field(default=10.0, ge=0, le=600)
    """How long the unit may take to become what it was told, before the line is believed against it."""


class UnitSpec(Strict):
    """One unit."""

    bus: Name = Field(examples=['"hall"'])
    title: str = ""
    address: int | None = Field(default=None, ge=0, le=2**32)
    role: Role = "other"
    group: Name | None = None
    """Units of one group can be switched off, and locked, together."""
    mqtt: MqttActions = "all"
    """Which actions may be commanded over MQTT."""
    ask_before_energise: bool = False
    """Whether a person has to say yes on the spot before it is energised: nothing unattended does it."""
    minimum_off_s: float = Field(default=0.0, ge=0, le=86_400)
    """Seconds off before it may be energised again."""
    minimum_on_s: float = Field(default=0.0, ge=0, le=86_400)
    """Seconds on before automation may de-energise it; people may at once."""
    sense: SenseSpec | None = None
    """A control line that says how it is."""


class TlsSpec(Strict):
    """How the broker is trusted, and how it knows us. Paths are relative to the site file."""

    ca_file: str | None = None
    """Certificates of the authorities to trust; by default the system's."""
    certificate_file: str | None = None
    """Our own certificate, where the broker wants one."""
    key_file: str | None = None
    """The key that goes with it."""


class AnnounceSpec(Strict):
    """Something published retained on connecting, for systems with a discovery format of their own."""

    topic: MqttTopic = Field(examples=['"discovery/{site}"'])
    payload: str = Field(examples=['\'{"site": "{site}"}\''])


class MqttSpec(Strict):
    """The broker, and how we are with it."""

    broker: Annotated[str, AfterValidator(_broker)] = Field(examples=['"mqtt://127.0.0.1:1883"'])
    """``mqtt://HOST[:PORT]``, or ``mqtts://`` for TLS."""
    protocol: Literal["5", "3.1.1"] = "5"
    user: str | None = None
    secret_file: str | None = None
    """The file that holds the secret that goes with ``user``; relative to the site file."""
    tls: TlsSpec | None = None
    response_prefix: MqttTopic | None = None
    """Only under this prefix are response topics honoured; by default under the site's own."""
    allow_plaintext: bool = False
    """Whether a broker beyond this machine may be spoken to without TLS."""
    announce: tuple[AnnounceSpec, ...] = Field(default=(), strict=False)


class JournalSpec(Strict):
    """How much of the journal is kept."""

    keep_days: float | None = Field(default=None, ge=1, le=36_500)
    """Commands that are older go; None for as long as there is space."""
    most_mb: int = Field(default=512, ge=1, le=1_000_000)
    """What it may use, in units of 1,048,576 bytes; the oldest commands go first."""


class Site(Strict):
    """One installation."""

    site: SiteSpec
    buses: dict[Name, BusSpec] = Field(default_factory=dict)
    units: dict[Name, UnitSpec] = Field(default_factory=dict)
    sequences: dict[Name, SequenceSpec] = Field(default_factory=dict)
    triggers: dict[Name, TriggerSpec] = Field(default_factory=dict)
    mqtt: MqttSpec | None = None
    journal: JournalSpec = Field(default_factory=JournalSpec)
