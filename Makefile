# Two commands for a fresh machine: `make demo` and `make test`. The rest is for contributors.
# Debian packages a bare machine needs: make python3-venv libgl1 libxcb1 libglib2.0-0
VENV := .venv
PY := $(VENV)/bin/python
STAMP := $(VENV)/.installed

.PHONY: demo test lint types gate clean

demo: $(STAMP)
	$(VENV)/bin/smokecase demo --out demo-out

test: $(STAMP)
	$(PY) -m pytest -n auto -q

lint: $(STAMP)
	$(PY) -m ruff check .
	$(PY) -m ruff format --check .

types: $(STAMP)
	$(PY) -m mypy

# fails where smokecase reads worse than the bars in tests/benchmarks/gate.py
gate: $(STAMP)
	$(PY) -m tests.benchmarks.gate

# installs again only when pyproject.toml changes; what a bare machine may lack is named
$(STAMP): pyproject.toml
	@command -v python3 >/dev/null || { echo "python3 is missing; run: apt-get install python3 python3-venv"; exit 1; }
	@python3 -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { echo "python3 is older than 3.11; install Python 3.11 or newer."; exit 1; }
	@python3 -c 'import venv, ensurepip' 2>/dev/null || { echo "Python cannot make a .venv here; run: apt-get install python3-venv"; exit 1; }
	@echo "installing into $(VENV), this takes a few minutes"
	@python3 -m venv $(VENV)
	@$(PY) -m pip install --quiet --disable-pip-version-check --editable ".[dev]"
	@$(PY) -c 'import cv2' 2>/dev/null || { echo "OpenCV lacks a library of the system; run: apt-get install libgl1 libxcb1 libglib2.0-0"; exit 1; }
	@touch $(STAMP)

clean:
	rm -rf $(VENV) demo-out
