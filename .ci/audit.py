"""Audit of what is installed: `.venv/bin/python .ci/audit.py`; exit code 1 on a finding.

First whether the packages fit one another, then whether a published weakness of any is known. For
the second the auditing tool is put into an environment of its own, so that nothing of it becomes
a dependency. What could not be asked is counted and said: silence is never taken for soundness.
"""

import json
import subprocess
import sys
import tempfile
import venv
from importlib.metadata import distributions
from pathlib import Path

TOOL = "pip-audit>=2.7"
PATIENCE_S = 300
SOURCES = ("pypi", "osv")  # the tool's own names for the two lists it can ask


def say(words: str) -> None:
    """Write one line."""
    sys.stdout.write(f"audit: {words}\n")
    sys.stdout.flush()


def run(*words: str) -> subprocess.CompletedProcess[str]:
    """Run a program to its end."""
    return subprocess.run(words, capture_output=True, text=True, timeout=PATIENCE_S, check=False)


def check_fit() -> bool:
    """Whether every package has what it asks for."""
    found = run(sys.executable, "-m", "pip", "check")
    say(found.stdout.strip() or found.stderr.strip())
    return found.returncode == 0


def audited(tool: Path, source: str, out: Path) -> dict[str, list[str]] | None:
    """Known weaknesses by package, for those that were asked about; None where none could be."""
    here = next(p for p in sys.path if p.endswith("site-packages"))
    try:
        run(str(tool), "--path", here, "-s", source, "--progress-spinner", "off", "-f", "json",
            "-o", str(out))  # fmt: skip
        told = json.loads(out.read_text())["dependencies"]
    except (OSError, ValueError, KeyError, subprocess.TimeoutExpired):
        return None
    asked = {d["name"]: [v["id"] for v in d["vulns"]] for d in told if "vulns" in d}
    return asked or None


def main() -> int:
    """Audit; 0 where nothing was found among what could be asked."""
    installed = sorted(f"{d.metadata['Name']} {d.version}" for d in distributions())
    say(f"{len(installed)} packages are installed: {', '.join(installed)}")
    fits = check_fit()
    with tempfile.TemporaryDirectory() as folder:
        venv.create(folder, with_pip=True)
        made = run(f"{folder}/bin/python", "-m", "pip", "install", "--quiet", TOOL)
        if made.returncode:
            say("NOT AUDITED for known weaknesses: the auditing tool could not be installed here")
            return int(not fits)
        for source in SOURCES:
            found = audited(Path(folder) / "bin" / "pip-audit", source, Path(folder) / "told.json")
            if found is not None:
                break
    if found is None:
        say("NOT AUDITED for known weaknesses: no list of them can be reached from here")
        return int(not fits)
    weak = {name: ids for name, ids in found.items() if ids}
    left = len(installed) - len(found)
    say(
        f"{len(found)} packages asked about, {left} could not be; {len(weak)} with a known weakness"
    )
    for name, ids in weak.items():
        say(f"WEAK: {name}: {', '.join(ids)}; take a version that mends it")
    return int(bool(weak) or not fits)


if __name__ == "__main__":
    sys.exit(main())
