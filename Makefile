# Everything runs in .venv, made from the pinned versions in constraints.txt.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/.ready
FAST := $(VENV)/.fast
FUZZ := $(VENV)/.fuzz
# Of fuzzing, in all; TARGETS="table mirror" fuzzes these alone.
FUZZ_SECONDS ?= 600
TARGETS ?=

.PHONY: demo test lint types slow coverage mutants bench soak fuzz audit pictures captures clean

demo: $(READY)
	$(BIN)/linewarden demo

test: $(READY)
	$(BIN)/python -m pytest -n 2 --dist loadfile

lint: $(READY)
	$(BIN)/ruff check .
	$(BIN)/lint-imports
	$(MAKE) types

types: $(READY)
	$(BIN)/mypy

slow: $(FAST)
	$(BIN)/python -m pytest -m slow -n 2 --dist loadfile

# Every branch of the modules in tests/mutation/targets.toml; and every one of them made wrong, half an hour.
coverage: $(READY)
	$(BIN)/python -m tests.mutation.branches

mutants: $(READY)
	$(BIN)/python -m tests.mutation $(MODULES)

bench: $(FAST)
	$(BIN)/python -m pytest -m bench tests/bench -s -q --timeout 600 --measured docs/measured.md

soak: $(READY)
	$(BIN)/python -m pytest -m soak tests/soak -n 2 --dist loadfile

fuzz: $(FUZZ)
	$(BIN)/python -m tests.fuzz $(TARGETS) --seconds $(FUZZ_SECONDS)

audit:
	$(PYTHON) .ci/audit

pictures: $(READY)
	$(BIN)/python -m docs.make_pictures

captures: $(READY)
	$(BIN)/python -m docs.make_captures

$(READY): pyproject.toml constraints.txt
	$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "Linewarden needs Python 3.11 or newer; set PYTHON=/path/to/python3.11")'
	@echo "making $(VENV), which takes a minute the first time"
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable '.[dev]' \
	    --constraint constraints.txt --config-settings editable_mode=compat
	touch $@

# The optional fast reader of tables: large, so that `make test` does without it.
$(FAST): $(READY)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable '.[dev,fast]' \
	    --constraint constraints.txt --config-settings editable_mode=compat
	touch $@

# The fuzzer, which has wheels for Linux only.
$(FUZZ): $(READY)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable '.[dev,fuzz]' \
	    --constraint constraints.txt --config-settings editable_mode=compat
	touch $@

clean:
	rm -rf $(VENV) build dist *.egg-info .pytest_cache .mypy_cache .ruff_cache .hypothesis .fuzz
