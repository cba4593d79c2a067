"""What goes wrong with Bluetooth, in one sentence each: what, with which gauge, and what to do."""

from __future__ import annotations

from typing import Final

from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakBluetoothNotAvailableReason,
    BleakDBusError,
    BleakDeviceNotFoundError,
    BleakError,
    BleakGATTProtocolError,
    BleakGATTProtocolErrorCode,
)


class LinkFault(Exception):
    """The link cannot be had or kept. The message is a whole sentence for the inspector."""


#: What opening and using a link raises when something is wrong that is nobody's defect here.
FAULTS: Final = (BleakError, LinkFault, TimeoutError, OSError, EOFError)

NO_BLUETOOTH: Final = (
    "this computer has no Bluetooth for low energy; plug in a Bluetooth adapter, or use another link of the gauge"
)
_OFF: Final = "Bluetooth is switched off on this computer; switch it on"
_DENIED: Final = "this computer does not let filmtally use Bluetooth; allow it in the system's privacy settings"
_NO_SERVICE: Final = "this computer's Bluetooth service does not run; start it (on Linux: systemctl start bluetooth), or plug in an adapter"
_PAIRING: Final = (
    "wants to be paired; pair it once in the computer's Bluetooth settings, with the gauge in pairing mode"
)
_BUSY: Final = "is held by another device or program; close the program, or switch Bluetooth off on the phone or tablet"

_WANTS_PAIRING: Final = frozenset(
    {
        BleakGATTProtocolErrorCode.INSUFFICIENT_AUTHENTICATION,
        BleakGATTProtocolErrorCode.INSUFFICIENT_AUTHORIZATION,
        BleakGATTProtocolErrorCode.INSUFFICIENT_ENCRYPTION,
        BleakGATTProtocolErrorCode.INSUFFICIENT_ENCRYPTION_KEY_SIZE,
    }
)


def not_found(who: str) -> str:
    """Return the sentence for a gauge that does not show itself."""
    return f"gauge {who} is not found; is it switched on and near, and not connected to a phone, a tablet or another computer"


def vanished(who: str) -> str:
    """Return the sentence for a link that was there and went."""
    return f"the link to gauge {who} is lost: out of reach, asleep, switched off or its battery empty; switch it on and come nearer"


def silent(who: str, after_s: str) -> str:
    """Return the sentence for a link that seems to be there and is dead."""
    return f"gauge {who} has said nothing and answered nothing for {after_s} s; is it switched on and near"


def sentence_of(fault: BaseException, who: str, adapter: str | None = None) -> str:
    """Return the sentence for what bleak or the system raised."""
    if isinstance(fault, LinkFault):
        return str(fault)
    if isinstance(fault, BleakBluetoothNotAvailableError):
        return _not_available(fault.reason)
    if isinstance(fault, BleakDeviceNotFoundError):
        return not_found(who)
    if isinstance(fault, BleakGATTProtocolError) and fault.args[0] in _WANTS_PAIRING:
        return f"gauge {who} {_PAIRING}"
    if isinstance(fault, BleakDBusError):
        return _of_bluez(fault, who)
    if isinstance(fault, BleakError):
        return _of_bleak(str(fault), who, adapter)
    if isinstance(fault, TimeoutError):
        return f"gauge {who} does not answer; is it near, and not connected to something else"
    if isinstance(fault, OSError | EOFError):
        return _NO_SERVICE
    return f"the link to gauge {who} failed ({type(fault).__name__}: {fault}); switch the gauge off and on"


def _not_available(reason: BleakBluetoothNotAvailableReason) -> str:
    if reason is BleakBluetoothNotAvailableReason.POWERED_OFF:
        return _OFF
    if reason.name.startswith("DENIED"):
        return _DENIED
    return NO_BLUETOOTH


def _of_bluez(fault: BleakDBusError, who: str) -> str:
    name = fault.dbus_error.rpartition(".")[2]
    details = (fault.dbus_error_details or "").strip()
    if name in ("ServiceUnknown", "NameHasNoOwner", "NoReply", "Disconnected", "SpawnFailed") or "Spawn" in name:
        return _NO_SERVICE
    if name == "AccessDenied":
        return _DENIED
    if name == "NotReady" or "not-powered" in details:
        return _OFF
    if name.startswith("Authentication") or name in ("NotAuthorized", "NotPermitted") or "key-missing" in details:
        return f"gauge {who} {_PAIRING}"
    if name in ("AlreadyConnected", "InProgress") or "busy" in details:
        return f"gauge {who} {_BUSY}"
    if name in ("UnknownObject", "DoesNotExist"):
        return not_found(who)
    return (
        f"gauge {who} refuses the connection or broke it off ({details or name}); switch it off and on, and come nearer"
    )


def _of_bleak(text: str, who: str, adapter: str | None) -> str:
    if text.startswith("adapter ") and text.endswith("not found"):
        return f"this computer has no Bluetooth adapter {adapter}; leave ,adapter= out or name another"
    if text.startswith("device ") and text.endswith("not found"):
        return not_found(who)
    if "disconnected" in text or text == "Not connected":
        return vanished(who)
    return f"the link to gauge {who} failed ({text}); switch the gauge off and on"
