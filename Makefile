# Two commands do everything: `make demo` and `make test`. Each makes .venv from the lock by itself.
PYTHON ?= python3
VENV   := .venv
BIN    := $(VENV)/bin
READY  := $(VENV)/.ready
ARGS   ?=

.DEFAULT_GOAL := help
.PHONY: help demo test slow check format bench pictures demo-recording lock browser clean

help:            ## this list
	@grep -E '^[a-z-]+: .*##' $(MAKEFILE_LIST) | sed 's/:.*##/\t/' | expand -t 18

demo: $(READY)   ## two simulated joints on a real byte path, recorded and shown in the browser
	@$(BIN)/dutytrace demo $(ARGS)

test: $(READY) browser   ## every quick test, the browser's included
	@$(BIN)/python -m pytest -n auto --maxprocesses 4 -m "not slow and not browser"
	@$(BIN)/python -m pytest -m "not slow and browser"

slow: $(READY) browser   ## the long suites
	@$(BIN)/python -m pytest -m slow $(ARGS)

check: $(READY)  ## lint, format and types, of Python and JavaScript
	@$(BIN)/ruff check .
	@$(BIN)/ruff format --check .
	@$(BIN)/mypy
	@$(BIN)/python -m tests.support.node

format: $(READY) ## put the source into its form
	@$(BIN)/ruff check --fix-only -q .
	@$(BIN)/ruff format .
	@$(BIN)/python -m tests.support.node --write

bench: $(READY)  ## speed, as ratios measured in one run
	@$(BIN)/python -m pytest tests/benchmarks -m "" -s -p no:cacheprovider $(ARGS)

pictures: $(READY) browser   ## the README's picture and every page in both themes, made anew
	@$(BIN)/python -m tests.support.pictures $(ARGS)

demo-recording: $(READY)     ## the recording that the README opens, made anew from its seed
	@rm -rf recordings/demo-overheat
	@$(BIN)/dutytrace simulate --hours 0.95 --rate 10 --seed 7 --name "Fan failure, pick and place" \
	  --out recordings/demo-overheat

lock:            ## requirements.lock anew from pyproject.toml (needs uv)
	@uv pip compile pyproject.toml --extra dev --generate-hashes --universal --python-version 3.11 \
	  --no-emit-index-url --no-annotate --no-header -q -o requirements.lock

browser:
	@sh tests/support/bring_browser.sh

clean:           ## remove what can be made again (never a recording)
	@rm -rf $(VENV) node_modules .mypy_cache .ruff_cache .pytest_cache .hypothesis screenshots dist

$(READY): requirements.lock pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { \
	  echo "dutytrace needs Python 3.11 or newer; $(PYTHON) is $$($(PYTHON) --version 2>&1). Name another with make PYTHON=..." >&2; exit 2; }
	@echo "Making $(VENV) from requirements.lock (once)"
	@$(PYTHON) -m venv $(VENV)
	@$(BIN)/python -m pip install --disable-pip-version-check --require-hashes -r requirements.lock
	@$(BIN)/python -m pip install --disable-pip-version-check --no-deps --no-build-isolation -q -e .
	@touch $@
