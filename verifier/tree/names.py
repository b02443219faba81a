r"""Names as bytes, as manifest text, and as shown to a person.

A POSIX file system allows any byte in a name but ``/`` and NUL. Three forms are in use:

* **raw**: the bytes the operating system gave.
* **text**: what manifests and findings store and join on. It is the UTF-8 decoding with every backslash doubled
  and every byte that is not part of valid UTF-8 written ``\xNN``. The form is unambiguous and reversible, and it
  works component by component, so a path's text is its components' texts joined by ``/``.
* **shown**: the text with everything invisible or able to do something (controls, format characters, private use,
  separators other than a space) written ``\xNN`` byte by byte. It can do nothing to a terminal, a page or a table.

`to_bytes` reverses both the text and the shown form.
"""

from __future__ import annotations

import os
import re
import sys
import unicodedata
from enum import StrEnum
from functools import lru_cache
from typing import Final

_ESCAPE: Final = re.compile(rb"\\(?:\\|x([0-9a-f]{2}))|\\")


def to_text(raw: bytes) -> str:
    """Return the manifest text of a name or path."""
    try:
        text = raw.decode()
    except UnicodeDecodeError:
        return raw.replace(b"\\", b"\\\\").decode(errors="backslashreplace")
    return text.replace("\\", "\\\\") if "\\" in text else text


def to_bytes(text: str) -> bytes:
    r"""Return the bytes that a manifest text or a shown text stands for.

    Raises:
        ValueError: If a backslash begins neither ``\\`` nor ``\xNN``, which `to_text` never writes.
    """
    encoded = text.encode()
    return _ESCAPE.sub(_unescape, encoded) if b"\\" in encoded else encoded


def _unescape(match: re.Match[bytes]) -> bytes:
    if match[0] == b"\\":
        raise ValueError("a lone backslash is not part of any name's text")
    return b"\\" if match[1] is None else bytes([int(match[1], 16)])


def is_utf8(raw: bytes) -> bool:
    """Tell whether a name's bytes are valid UTF-8."""
    if raw.isascii():
        return True
    try:
        raw.decode()
    except UnicodeDecodeError:
        return False
    return True


# Default_Ignorable_Code_Point (Unicode, DerivedCoreProperties.txt) as far as Python calls it printable, and the blank
# Braille pattern: letters and marks that show nothing.
_INVISIBLE: Final = re.compile(
    "[\u034f\u115f\u1160\u17b4\u17b5\u180b-\u180f\u2800\u3164\ufe00-\ufe0f\uffa0\U000e0100-\U000e01ef]"
)


def shown(text: str) -> str:
    r"""Return the text as it may be shown anywhere: one line, nothing invisible, nothing active.

    Whatever Python calls not printable (Unicode categories C* and Z* but the space), and what is printable by category
    but shows nothing, becomes the ``\xNN`` of its UTF-8 bytes. Quoting for a format (HTML, CSV) still has to be done by
    the writer of that format.
    """
    if text.isprintable() and (text.isascii() or not _INVISIBLE.search(text)):
        return text
    return "".join(c if c.isprintable() and not _INVISIBLE.match(c) else _hex(c) for c in text)


def _hex(character: str) -> str:
    return "".join(f"\\x{byte:02x}" for byte in character.encode(errors="surrogatepass"))


def parent_of(path: str) -> str:
    """Return the folder part of a path; the root's own children give the empty string."""
    return path.rpartition("/")[0]


def name_of(path: str) -> str:
    """Return the last component of a path."""
    return path.rpartition("/")[2]


def inside(folder: str) -> tuple[str, str]:
    """Return the bounds between which lie all paths in a folder: '0' follows '/' in ASCII."""
    return f"{folder}/", f"{folder}0"


def raw_of(path: str) -> bytes | None:
    """Return the bytes of a path's manifest text where they are not UTF-8; else None."""
    raw = to_bytes(path)
    return None if is_utf8(raw) else raw


def plain_text(name: str) -> str | None:
    """Return a name's manifest text where the name, as the system gave it, is UTF-8 without a backslash; else None."""
    if "\\" in name:
        return None
    if name.isascii():
        return name
    try:
        # Bytes that are not UTF-8 came as lone surrogates (PEP 383), which cannot be encoded.
        name.encode()
    except UnicodeEncodeError:
        return None
    return name if _UTF8_SYSTEM else None


_UTF8_SYSTEM: Final = sys.getfilesystemencoding().lower() in ("utf-8", "utf8")


def for_system(text: str) -> str:
    """Return one component as the string that the operating system's calls take.

    Raises:
        ValueError: If the component would leave its folder (empty, ``.``, ``..``, with a separator): nothing that
            was listed has such a name, so it comes from a manifest that was tampered with.
    """
    name = text if _UTF8_SYSTEM and "\\" not in text else os.fsdecode(to_bytes(text))
    if name in ("", ".", "..") or "/" in name or "\0" in name:
        raise ValueError(f"not a name: {shown(text)!r}")
    return name


def parts_of(path: str) -> tuple[str, ...]:
    """Return a path's components as `for_system` gives them; the root's path is the empty string.

    Raises:
        ValueError: As `for_system`.
    """
    return tuple(for_system(part) for part in path.split("/")) if path else ()


class StandIns(StrEnum):
    """The two published schemes that put private-use characters in place of reserved ones.

    Source: Linux ``cifs_unicode.h`` (scheme A: U+F000 plus the character's code) and the same file's and Samba's
    macOS map (scheme B: U+F020 to U+F029 for a fixed list). U+F022 means ``"`` in A and ``:`` in B, so a tree is
    read under one scheme, never under either.
    """

    ADDED_CODE = "U+F000 + code"
    FIXED_LIST = "U+F020 to U+F029"


_CONTROLS: Final = {0xF000 + code: code for code in range(0x01, 0x20)}
_DECODE: Final = {
    StandIns.ADDED_CODE: _CONTROLS | {0xF000 + ord(c): ord(c) for c in '"*:<>?\\|'},
    StandIns.FIXED_LIST: _CONTROLS | {0xF020 + n: ord(c) for n, c in enumerate('"*:<>?\\| .')},
}


def has_stand_in(text: str) -> bool:
    """Tell whether a text holds a character that one of the schemes uses."""
    return not text.isascii() and any("\uf001" <= c <= "\uf07c" for c in text)


@lru_cache(maxsize=8192)
def comparison_form(text: str, scheme: StandIns = StandIns.ADDED_CODE) -> str:
    """Return the form under which names that differ by case, Unicode form or stand-ins are equal.

    Full case folding over NFC (Unicode Standard, D145: canonical caseless matching), never a compatibility form.
    It is wider than what file systems fold (NTFS and exFAT fold one to one), so an equal form is a reason to
    compare contents, not a proof of identity.
    """
    if text.isascii():
        return text.lower()
    if has_stand_in(text):
        # A decoded backslash must stay distinct from an escape of this module's own text form.
        text = "".join("\\\\" if (d := _DECODE[scheme].get(ord(c))) == 0x5C else chr(d or ord(c)) for c in text)
    return unicodedata.normalize("NFC", unicodedata.normalize("NFD", text).casefold())


def alteration(old: str, new: str) -> str:
    """Say in words how two names of one comparison form differ: what a person should look for."""
    ways = []
    if has_stand_in(old) != has_stand_in(new) or (has_stand_in(old) and old != new):
        ways.append("a stand-in for a reserved character")
    old_forms, new_forms = (_unicode_form(t) for t in (old, new))
    if old_forms != new_forms:
        ways.append(f"Unicode form ({old_forms} on old, {new_forms} on new)")
    folded_old, folded_new = (unicodedata.normalize("NFC", t) for t in (old, new))
    if folded_old != folded_new and folded_old.casefold() == folded_new.casefold():
        ways.append("letter case")
    return " and ".join(ways) or "letter case"


def _unicode_form(text: str) -> str:
    composed = unicodedata.is_normalized("NFC", text)
    decomposed = unicodedata.is_normalized("NFD", text)
    if composed and decomposed:
        return "plain"
    if composed:
        return "NFC"
    return "NFD" if decomposed else "mixed"
