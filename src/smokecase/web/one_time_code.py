"""The code that lets a phone of the local network in: each works once, then there is a new one."""

import hashlib
import hmac
import io
import secrets

LETTERS = "23456789ABCDEFGHJKLMNPQRSTUVWXYZ"  # none that looks like another
LENGTH = 8  # 32^8 codes: at one guess a second it takes 17,000 years to try half of them


class Codes:
    """The code that holds now, and the browsers that came in with an earlier one."""

    def __init__(self) -> None:
        self.code = _new_code()
        self._keys: set[str] = set()  # SHA-256 of the browsers' keys

    def use(self, said: str) -> str | None:
        """Give a key to a browser that says the code, which is spent by it; else None."""
        plain = "".join(c for c in said.upper() if c.isalnum())
        if not hmac.compare_digest(plain.encode(), self.code.encode()):
            return None
        self.code = _new_code()
        key = secrets.token_urlsafe(32)
        self._keys.add(_digest(key))
        return key

    def knows(self, key: str) -> bool:
        """Whether a browser's key was given out by this server."""
        return _digest(key) in self._keys

    @property
    def shown(self) -> str:
        """The code as it is printed: two groups."""
        return f"{self.code[:4]}-{self.code[4:]}"


def _new_code() -> str:
    return "".join(secrets.choice(LETTERS) for _ in range(LENGTH))


def _digest(key: str) -> str:
    return hashlib.sha256(key.encode()).hexdigest()


def qr_for_terminal(address: str) -> str:
    """Draw an address as a QR code in block letters, light on dark and dark on light alike."""
    import segno

    out = io.StringIO()
    segno.make(address, error="m", micro=False).terminal(out, compact=True)
    return out.getvalue()


def qr_as_svg(address: str) -> str:
    """Draw an address as a QR code for a web page: black on white, with its quiet margin."""
    import segno

    code = segno.make(address, error="m", micro=False)
    drawn = code.svg_inline(scale=6, border=4, dark="#000", light="#fff")
    return str(drawn).replace("<svg ", '<svg role="img" aria-label="QR code" ', 1)
