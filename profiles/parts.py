"""The parts of a byte template: each knows its bytes, its reading, and what can stand in its places."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, Protocol

from profiles.checksums import Check, find_check
from profiles.coding import ANY_BYTE, HEX_DIGITS, MOST_TRIED, NumberCoding
from profiles.errors import BadValue, TemplateError
from profiles.fields import FieldPart, Given, Typed
from profiles.model import Address, AddressItem, CheckItem, CounterItem

__all__ = [
    "AddressPart",
    "AnyPart",
    "CheckPart",
    "ConstantPart",
    "CounterPart",
    "FieldPart",
    "Given",
    "Part",
    "Typed",
]


class Part(Protocol):
    """One stretch of a message."""

    @property
    def size(self) -> int:
        """Bytes."""

    def sets(self) -> tuple[frozenset[int], ...]:
        """For each place the bytes that can stand there."""


@dataclass(frozen=True, slots=True)
class ConstantPart:
    """Bytes that are always the same."""

    data: bytes

    @property
    def size(self) -> int:
        """Bytes."""
        return len(self.data)

    def sets(self) -> tuple[frozenset[int], ...]:
        """One byte a place."""
        return tuple(frozenset((byte,)) for byte in self.data)

    def build(self, _given: Given) -> bytes:
        """The bytes."""
        return self.data


@dataclass(frozen=True, slots=True)
class AnyPart:
    """Bytes that can be anything; never sent."""

    size: int

    def sets(self) -> tuple[frozenset[int], ...]:
        """All bytes."""
        return (ANY_BYTE,) * self.size


@dataclass(frozen=True, slots=True)
class AddressPart:
    """A unit's address."""

    number: NumberCoding
    offset: int
    addresses: frozenset[int]

    @classmethod
    def compile(cls, item: AddressItem, address: Address) -> AddressPart:
        """From a profile's item.

        Raises:
            TemplateError: an address of the profile does not fit.
        """
        low, high = address.range
        if not 0 <= high - low < MOST_TRIED:
            raise TemplateError(
                f"has no addresses to choose from: the profile's range is {low} to {high}",
                todo=f"give `address.range` its least first, and {MOST_TRIED} addresses at most",
            )
        known = set(range(low, high + 1)) | ({address.all} if address.all is not None else set())
        number = NumberCoding(item.address, item.coding, item.order)
        for value in (min(known), max(known)):
            if not number.least <= value + item.offset <= number.greatest:
                raise TemplateError(
                    f"address {value} does not fit {item.address} byte(s) of {item.coding}",
                    todo="give it more bytes, or the profile a smaller range",
                )
        return cls(number, item.offset, frozenset(known))

    @property
    def size(self) -> int:
        """Bytes."""
        return self.number.size

    def sets(self) -> tuple[frozenset[int], ...]:
        """What the profile's addresses look like."""
        return self.number.places(frozenset(a + self.offset for a in self.addresses))

    def build(self, given: Given) -> bytes:
        """The address's bytes."""
        address = given.address
        if address is None:
            raise BadValue("needs a unit's address", todo="give the unit an `address` in the site file")
        if address not in self.addresses:
            raise BadValue(f"{address} is no address of this profile")
        return self.number.write(address + self.offset)

    def read(self, data: bytes) -> int | None:
        """The address, or None where it is none of the profile's."""
        raw = self.number.read(data)
        return raw - self.offset if raw is not None and raw - self.offset in self.addresses else None


@dataclass(frozen=True, slots=True)
class CounterPart:
    """A number that goes up by one with each message."""

    name: str
    number: NumberCoding
    start: int
    wrap: int
    per: Literal["bus", "unit"]

    @classmethod
    def compile(cls, item: CounterItem) -> CounterPart:
        """From a profile's item.

        Raises:
            TemplateError: it counts further than its bytes can say.
        """
        number = NumberCoding(item.size, order=item.order)
        wrap = number.greatest + 1 if item.wrap is None else item.wrap
        if wrap > number.greatest + 1:
            raise TemplateError(
                f"counts to {wrap - 1}, which {item.size} byte(s) can't say",
                todo=f"use `wrap` of at most {number.greatest + 1}",
            )
        if item.start >= wrap:
            raise TemplateError(f"starts at {item.start}, past its wrap at {wrap}")
        return cls(item.counter, number, item.start, wrap, item.per)

    @property
    def size(self) -> int:
        """Bytes."""
        return self.number.size

    def sets(self) -> tuple[frozenset[int], ...]:
        """What its numbers look like."""
        return self.number.places(frozenset(range(self.wrap)) if self.wrap <= MOST_TRIED else None)

    def build(self, given: Given) -> bytes:
        """The number's bytes."""
        return self.number.write(given.counters.get(self.name, self.start) % self.wrap)

    def read(self, data: bytes) -> int | None:
        """The number, or None where it is past the wrap."""
        number = self.number.read(data)
        return number if number is not None and number < self.wrap else None


@dataclass(slots=True)
class CheckPart:
    """A check over other bytes of the message."""

    check: Check
    first: int
    last: int | None
    order: Literal["big", "little"]
    coding: Literal["binary", "hex-text"]
    over: Literal["bytes", "hex-text"]
    covered: slice = field(init=False)
    """Set once all places are known."""

    @classmethod
    def compile(cls, item: CheckItem) -> CheckPart:
        """From a profile's item.

        Raises:
            NotKnown: there is no such check.
        """
        return cls(find_check(item.check), item.from_, item.to, item.order, item.coding, item.over)

    @property
    def size(self) -> int:
        """Bytes."""
        return self.check.size * (2 if self.coding == "hex-text" else 1)

    @property
    def identity(self) -> tuple[object, ...]:
        """What two checks must share to be the same."""
        return self.check.name, self.covered.start, self.covered.stop, self.order, self.coding, self.over

    def sets(self) -> tuple[frozenset[int], ...]:
        """Any byte, or any hexadecimal digit."""
        return NumberCoding(self.size, self.coding).places()

    def check_bytes(self, data: bytes | bytearray) -> bytes:
        """The check's bytes for a message whose other bytes stand.

        Raises:
            BadValue: the covered bytes should be hexadecimal digits and are not.
        """
        covered = bytes(data[self.covered])
        if self.over == "hex-text":
            if not HEX_DIGITS.issuperset(covered):
                raise BadValue(f"the bytes that {self.check.name} covers are no hexadecimal digits")
            covered = bytes.fromhex(covered.decode("ascii"))
        result = self.check.compute(covered).to_bytes(self.check.size, self.order)
        return result.hex().upper().encode("ascii") if self.coding == "hex-text" else result

    def holds(self, data: bytes, found: bytes) -> bool:
        """Whether ``found`` is the right check of ``data``."""
        try:
            return self.check_bytes(data) == (found.upper() if self.coding == "hex-text" else found)
        except BadValue:
            return False
