"""The evidence package: a folder in the BagIt form that any validator can check.

``data/`` holds the originals, readings, reports and the ledger as plain text; a manifest lists the
SHA-256 of each file, and a second one the SHA-256 of the first. An optional signature with one's
own SSH key covers the second.

Source: BagIt File Packaging Format 1.0, RFC 8493.
"""

import hashlib
import os
import shutil
import subprocess
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from smokecase.case.chain import find_breaks, from_line
from smokecase.case.record import Entry
from smokecase.errors import CaseError, WriteError

Tell = Callable[[float, str], None]

DECLARATION = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
MANIFEST, TAG_MANIFEST = "manifest-sha256.txt", "tagmanifest-sha256.txt"
SIGNATURE = f"{TAG_MANIFEST}.sig"
LEDGER = "data/ledger.txt"
PURPOSE = "smokecase-package"  # an SSH signature names what it is for
SIGN_S = 120.0  # a key may ask for its passphrase
MOST_TEXT_BYTES = 64 << 20  # of a manifest or ledger; a year of daily clips has one MB


@dataclass(frozen=True, slots=True, kw_only=True)
class Verification:
    """What was found: each fault in a sentence, and one sentence on the whole."""

    faults: tuple[str, ...]
    words: str


def write_package(
    out: Path,
    *,
    files: Mapping[str, Path | bytes],
    words: Mapping[str, str],
    day: str,
    key: Path | None = None,
    tell: Tell | None = None,
) -> Path:
    """Write a package, whole or not at all.

    Parameters
    ----------
    out : Path
        The new folder.
    files : mapping of str to Path or bytes
        Content by path inside ``data/``.
    words : mapping of str to str
        Lines of ``bag-info.txt``.
    day : str
        Day of its making, ISO 8601.
    key : Path, optional
        SSH private key to sign with.

    Raises
    ------
    ValueError
        If a name holds a percent sign or a line break: RFC 8493, 2.1.3 writes these in percent
        form, which validators read differently, so they are kept out.
    WriteError
        If the folder is there already or cannot be written.
    CaseError
        If it cannot be signed.
    """
    for name in files:
        if any(c in "%\r\n" for c in name):
            msg = f"files must have names without %, CR and LF (got {name!r})"
            raise ValueError(msg)
    out = out.absolute()
    if out.exists():
        what = "something of this name is there already"
        raise WriteError(what, where=str(out), remedy="name a new folder with --out")
    aside = out.parent / f".{out.name}.partial-{os.getpid()}"
    told = tell or (lambda share, words: None)
    try:
        shutil.rmtree(aside, ignore_errors=True)
        (aside / "data").mkdir(parents=True)
        sums, octets = [], 0
        for i, (name, content) in enumerate(sorted(files.items())):
            told(i / len(files), f"packing {name}")
            target = aside / "data" / name
            target.parent.mkdir(parents=True, exist_ok=True)
            _copy(content, target)
            sums.append((f"data/{name}", _sum_of(target)))
            octets += target.stat().st_size
        info = {"Bagging-Date": day, "Payload-Oxum": f"{octets}.{len(files)}", **words}
        _write(aside / "bagit.txt", DECLARATION)
        _write(aside / "bag-info.txt", "".join(f"{k}: {_one_line(v)}\n" for k, v in info.items()))
        _write(aside / MANIFEST, _lines(sums))
        tags = ("bag-info.txt", "bagit.txt", MANIFEST)
        _write(aside / TAG_MANIFEST, _lines((name, _sum_of(aside / name)) for name in tags))
        if key is not None:
            _sign(aside / TAG_MANIFEST, key)
        aside.rename(out)
    except OSError as error:
        what = f"the package could not be written ({(error.strerror or str(error)).lower()})"
        raise WriteError(what, where=str(out), remedy="name another folder with --out") from error
    finally:
        shutil.rmtree(aside, ignore_errors=True)
    return out


def _copy(content: Path | bytes, target: Path) -> None:
    if isinstance(content, bytes):
        target.write_bytes(content)
    else:
        shutil.copyfile(content, target)


def _one_line(text: str) -> str:
    return " ".join(text.split())


def _write(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8", newline="")


def _sum_of(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _lines(sums: Iterable[tuple[str, str]]) -> str:
    return "".join(f"{digest}  {name}\n" for name, digest in sums)


def _sign(path: Path, key: Path) -> None:
    """Sign with the user's own SSH key; the key is read by ssh-keygen alone."""
    program = shutil.which("ssh-keygen")
    if program is None:
        what = "ssh-keygen is not installed, so nothing can be signed"
        raise CaseError(
            what, where=str(key), remedy="apt-get install openssh-client, or leave --sign out"
        )
    done = subprocess.run(
        [program, "-Y", "sign", "-n", PURPOSE, "-f", str(key), str(path)],
        capture_output=True, text=True, timeout=SIGN_S, check=False,
    )  # fmt: skip
    if done.returncode != 0 or not path.with_name(SIGNATURE).exists():
        said = done.stderr.strip().splitlines()[-1] if done.stderr.strip() else "no reason given"
        what = f"this key could not sign ({said})"
        raise CaseError(what, where=str(key), remedy="name your own SSH private key with --sign")


# -- verifying ----------------------------------------------------------------------------------


def verify_package(path: Path, *, tell: Tell | None = None) -> Verification:
    """Tell whether anything in a package was changed, added or is missing, and what.

    Raises
    ------
    CaseError
        If it is no package at all.
    """
    if not (path / "bagit.txt").is_file() and not (path / MANIFEST).is_file():
        what = "this is no evidence package (bagit.txt and its manifest are missing)"
        raise CaseError(what, where=str(path), remedy="name the folder that holds bagit.txt")
    told = tell or (lambda share, words: None)
    faults: list[str] = []
    tags = _read_manifest(path, TAG_MANIFEST, faults)
    faults += _compare(path, tags, told, 0.0, 0.1)
    needed = {"bagit.txt", "bag-info.txt", MANIFEST} - set(tags)
    faults += [f"{name}: it is not covered by {TAG_MANIFEST}." for name in sorted(needed)]
    payload = _read_manifest(path, MANIFEST, faults)
    faults += _compare(path, payload, told, 0.1, 0.95)
    known = {*tags, *payload, TAG_MANIFEST, SIGNATURE}
    for found in sorted(p for p in path.rglob("*") if p.is_file() or p.is_symlink()):
        name = found.relative_to(path).as_posix()
        if name not in known:
            faults.append(f"{name}: it was added.")
    faults += _ledger(path)
    signed, fault = _check_signature(path)
    faults += [fault] if fault else []
    return Verification(faults=tuple(faults), words=_words(faults, len(payload), signed))


def _words(faults: list[str], count: int, signed: str) -> str:
    if faults:
        return f"The package is NOT what was packed: {len(faults)} faults."
    files = "1 file" if count == 1 else f"{count} files"
    return f"Nothing was changed, added or taken out: {files} whole. {signed}"


def _read_manifest(path: Path, name: str, faults: list[str]) -> dict[str, str]:
    try:
        text = _text(path / name)
    except FileNotFoundError:
        faults.append(f"{name}: it is missing.")
        return {}
    except (OSError, UnicodeDecodeError) as error:
        faults.append(f"{name}: it cannot be read ({error}).")
        return {}
    sums = {}
    for number, line in enumerate(text.splitlines(), start=1):
        digest, _, rest = line.partition(" ")
        inside = rest.strip()
        place = Path(inside)
        if len(digest) != 64 or not inside or place.is_absolute() or ".." in place.parts:
            faults.append(f"{name}: line {number} was changed and names no file.")
            continue
        sums[inside] = digest
    return sums


def _text(path: Path) -> str:
    """Text of a file that is really there and no larger than one can be; a link may be endless."""
    if path.is_symlink() or (path.exists() and not path.is_file()):
        msg = "it was exchanged for a link or a folder"
        raise OSError(msg)
    with path.open("rb") as file:
        content = file.read(min(path.stat().st_size, MOST_TEXT_BYTES) + 1)
    if len(content) > MOST_TEXT_BYTES:
        msg = f"it has more than {MOST_TEXT_BYTES >> 20} MB"
        raise OSError(msg)
    return content.decode("utf-8")


def _compare(
    path: Path, sums: Mapping[str, str], told: Tell, begin: float, end: float
) -> list[str]:
    faults = []
    for i, (name, digest) in enumerate(sums.items()):
        told(begin + (end - begin) * i / len(sums), f"checking {name}")
        file = path / name
        if file.is_symlink():
            faults.append(f"{name}: it was exchanged for a link.")
        elif not file.is_file():
            faults.append(f"{name}: it is missing.")
        elif _sum_of(file) != digest:
            faults.append(f"{name}: it was changed.")
    return faults


def _ledger(path: Path) -> list[str]:
    """Whether the chain of the plain-text ledger holds."""
    try:
        lines = _text(path / LEDGER).splitlines()
    except FileNotFoundError:
        return []  # a copy to hand on has none; a lost one is named by the manifest
    except (OSError, UnicodeDecodeError):
        return [f"{LEDGER}: it cannot be read as text."]
    entries: list[Entry] = []
    faults = []
    for number, line in enumerate(lines, start=1):
        try:
            entries.append(from_line(line))
        except (ValueError, KeyError, TypeError, RecursionError):
            faults.append(f"{LEDGER}: line {number} is no entry.")
    name = str(entries[0].body.get("name", "")) if entries else ""
    return faults + find_breaks(entries, name=name)


def _check_signature(path: Path) -> tuple[str, str]:
    """Words on the signature, and the fault if it does not hold."""
    signature = path / SIGNATURE
    if not signature.is_file():
        return "It is not signed: whoever could change all of it could also make new manifests.", ""
    program = shutil.which("ssh-keygen")
    if program is None:
        return "It is signed; ssh-keygen is not installed, so the signature was not checked.", ""
    with (path / TAG_MANIFEST).open("rb") as manifest:
        done = subprocess.run(
            [program, "-Y", "check-novalidate", "-n", PURPOSE, "-s", str(signature)],
            stdin=manifest, capture_output=True, text=True, timeout=SIGN_S, check=False,
        )  # fmt: skip
    if done.returncode != 0:
        return "", f"{SIGNATURE}: the signature does not fit the package."
    key = done.stdout.strip().split(" key ")[-1]
    return f"It is signed with the key {key}: compare that with the one you were told.", ""
