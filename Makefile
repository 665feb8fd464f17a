# Two commands for a fresh machine: `make demo` and `make test`. The rest is for contributors.
VENV := .venv
PY := $(VENV)/bin/python
STAMP := $(VENV)/.installed

.PHONY: demo test lint types gate clean

demo: $(STAMP)
	$(VENV)/bin/smokecase demo --out demo-out

test: $(STAMP)
	$(PY) -m pytest -n auto -q

lint: $(STAMP)
	$(PY) -m ruff check . && $(PY) -m ruff format --check .

types: $(STAMP)
	$(PY) -m mypy

# .venv is made anew only when pyproject.toml changes; each thing a bare machine may lack is named
$(STAMP): pyproject.toml
	@command -v python3 >/dev/null || { echo "python3 is missing: apt-get install python3 python3-venv"; exit 1; }
	@python3 -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { echo "python3 is older than 3.11: install Python 3.11 or newer"; exit 1; }
	@python3 -c 'import venv, ensurepip' 2>/dev/null || { echo "python3-venv is missing: apt-get install python3-venv"; exit 1; }
	python3 -m venv $(VENV)
	$(PY) -m pip install --quiet --disable-pip-version-check --editable ".[dev]"
	@$(PY) -c 'import cv2' || { echo "OpenCV finds a system library missing: apt-get install libgl1 libxcb1 libglib2.0-0"; exit 1; }
	@touch $(STAMP)

clean:
	rm -rf $(VENV) demo-out
