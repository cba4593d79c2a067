# make demo, make test: each does its own set-up on a machine with python3 (with venv), git and make.

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
RUN_READY := $(VENV)/.run-ready
DEV_READY := $(VENV)/.dev-ready
FUZZ_READY := $(VENV)/.fuzz-ready
# The system libraries that WeasyPrint draws with, programs for the tests' second opinion, a real terminal, a private bus.
LIBRARIES := libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0
TEST_PROGRAMS := poppler-utils qpdf softhsm2 libnss3-tools openssl tmux dbus-daemon

.PHONY: setup demo test lint format schemas samples layouts screens pages lock bench campaign fuzz mutation clean

setup: $(RUN_READY)

demo: $(RUN_READY)
	$(BIN)/filmtally demo

test: $(DEV_READY)
	$(BIN)/python -m pytest -n 3 --dist loadfile

lint: $(DEV_READY)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

format: $(DEV_READY)
	$(BIN)/ruff check --fix .
	$(BIN)/ruff format .

schemas: $(RUN_READY)
	$(BIN)/python -m schemas.generate
	$(BIN)/python -m report.document_schema

samples: $(RUN_READY)
	$(BIN)/python -m sample_captures.make

# Look at the pictures before committing them.
layouts: $(DEV_READY)
	$(BIN)/python -m tests.report.draw_layouts

# The capture screen in its states; needs chromium. Look at the pictures before committing them.
screens: $(DEV_READY)
	$(BIN)/python -m tests.live.draw_screens

# The pages for a browser; needs chromium. Look at the pictures before committing them.
pages: $(DEV_READY)
	$(BIN)/python -m tests.report.draw_pages

bench: $(DEV_READY)
	$(BIN)/python -m bench.run

campaign: $(DEV_READY)
	$(BIN)/python -m bench.campaign

# Millions of inputs, steered by coverage; about an hour.
fuzz: $(FUZZ_READY)
	$(BIN)/python -m bench.fuzz

mutation: $(DEV_READY)
	$(BIN)/python -m bench.mutation

# Resolves the versions anew; needs uv. Everything else installs exactly what the locks say.
lock:
	uv pip compile pyproject.toml --group build --universal --generate-hashes --no-header --no-annotate --upgrade -o locks/run.txt
	uv pip compile pyproject.toml --group build --group dev --universal --generate-hashes --no-header --no-annotate --upgrade -o locks/dev.txt
	uv pip compile pyproject.toml --group build --group dev --group fuzz --universal --generate-hashes --no-header --no-annotate --upgrade -o locks/fuzz.txt

clean:
	rm -rf $(VENV) build dist .mypy_cache .pytest_cache .ruff_cache .hypothesis

$(RUN_READY): locks/run.txt pyproject.toml
	@$(PYTHON) set_up.py --venv $(VENV) --lock locks/run.txt --libraries "$(LIBRARIES)"
	@touch $@

$(DEV_READY): locks/dev.txt pyproject.toml
	@$(PYTHON) set_up.py --venv $(VENV) --lock locks/dev.txt --libraries "$(LIBRARIES)" --programs "$(TEST_PROGRAMS)"
	@touch $@ $(RUN_READY)

$(FUZZ_READY): locks/fuzz.txt pyproject.toml
	@$(PYTHON) set_up.py --venv $(VENV) --lock locks/fuzz.txt --libraries "$(LIBRARIES)" --programs "$(TEST_PROGRAMS)"
	@touch $@ $(DEV_READY) $(RUN_READY)
