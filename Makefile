# Two commands do everything: `make demo` and `make test`. Each puts into .venv what it needs: the
# first what the program runs on (requirements.lock), the second tests and tools as well
# (requirements-dev.lock).
PYTHON  ?= python3
VENV    := .venv
BIN     := $(VENV)/bin
PROGRAM := $(VENV)/.program
TOOLS   := $(VENV)/.tools
ARGS    ?=
CORES   := $(shell nproc 2>/dev/null || echo 2)
# Three more than cores, at most six: many tests wait for processes that they start.
WORKERS ?= $(shell echo $$(( $(CORES) < 3 ? $(CORES) + 3 : 6 )))
# Each takes whole stretches of files, so that what a file makes once is made by one of them.
SHARED  := --dist worksteal
# A browser, a server and often a logger with its joints to each.
BROWSERS ?= $(shell echo $$(( $(CORES) < 2 ? 1 : 2 )))
# What takes long is no fault: no stacks are printed of it.
LONG    := -o faulthandler_timeout=0
FUZZ_RUNS ?= 10000
FUZZ_SEED ?= 1
# The locks name every package, so nothing is left to resolve. Python compiles what is imported when
# it is, and keeps it, whatever the environment says: to compile all of it here, or each module in
# each of the hundreds of processes that the tests start, would take longer.
unexport PYTHONDONTWRITEBYTECODE
PIP     := $(BIN)/python -m pip install --disable-pip-version-check --no-deps --no-compile
COMPILE := uv pip compile pyproject.toml --generate-hashes --universal --python-version 3.11 \
  --no-emit-index-url --no-annotate --no-header -q

.DEFAULT_GOAL := help
.PHONY: help demo test slow study soak fuzz check check-form check-types check-pages check-tests format \
  bench pictures demo-recording lock browser clean

help:            ## this list
	@grep -E '^[a-z-]+: .*##' $(MAKEFILE_LIST) | sed 's/:.*##/\t/' | expand -t 18

demo: $(PROGRAM)   ## two simulated joints on a real byte path, recorded and shown in the browser
	@$(BIN)/dutytrace demo $(ARGS)

test: $(TOOLS) browser   ## every quick test, the browser's included
	@$(BIN)/python -m pytest -n $(WORKERS) $(SHARED) -m "not slow and not browser"
	@$(BIN)/python -m pytest -n $(BROWSERS) $(SHARED) -m "not slow and browser" tests/dashboard

slow: $(TOOLS) browser   ## tests of minutes, one after the other, and every property test in full
	@$(BIN)/python -m pytest $(LONG) --ignore=tests/benchmarks -m "slow and not study and not soak" $(ARGS)
	@TEST_DEPTH=full $(BIN)/python -m pytest $(LONG) -m "hypothesis and not slow" $(ARGS)

study: $(TOOLS)  ## how often intervals hold over hundreds of simulated joints: hours of every core
	@$(BIN)/python -m pytest $(LONG) -n $(CORES) $(SHARED) -m study $(ARGS)

soak: $(TOOLS)   ## a recorder's memory: six hours by the clock (SOAK_HOURS), then a day's frames
	@$(BIN)/python -m pytest $(LONG) -m soak $(ARGS)

fuzz: $(TOOLS)   ## hostile recordings, settings, tars and requests (FUZZ_RUNS, FUZZ_SEED)
	@$(BIN)/python -m tests.fuzz --runs $(FUZZ_RUNS) --seed $(FUZZ_SEED) $(ARGS)

check: $(TOOLS)  ## lint, format and types, of Python and JavaScript; every test can be collected
	@$(MAKE) --no-print-directory -j 2 check-types check-form check-pages check-tests

check-form check-types check-pages check-tests: $(TOOLS)

check-form:
	@$(BIN)/ruff check .
	@$(BIN)/ruff format --check .

check-types:
	@$(BIN)/mypy

check-pages:
	@$(BIN)/python -m tests.support.node

# Leaves the tests compiled, too, which otherwise each worker of `make test` does for itself.
check-tests:
	@$(BIN)/python -m pytest --collect-only -qq -m "" >/dev/null || \
	  $(BIN)/python -m pytest --collect-only -qq -m ""

format: $(TOOLS) ## put the source into its form
	@$(BIN)/ruff check --fix-only -q .
	@$(BIN)/ruff format .
	@$(BIN)/python -m tests.support.node --write

bench: $(TOOLS)  ## speed, as ratios measured in one run
	@$(BIN)/python -m pytest tests/benchmarks $(LONG) -m "" -p no:cacheprovider $(ARGS)

pictures: $(TOOLS) browser   ## the README's picture and every page in both themes, made anew
	@$(BIN)/python -m tests.support.pictures $(ARGS)

demo-recording: $(PROGRAM)   ## the recording that the README opens, made anew from its seed
	@rm -rf recordings/demo-overheat
	@$(BIN)/dutytrace simulate --hours 0.95 --rate 10 --seed 7 --name "Fan failure, pick and place" \
	  --out recordings/demo-overheat

# The second lock holds what the first does not, in versions that fit it.
lock:            ## both locks anew from pyproject.toml (needs uv)
	@$(COMPILE) --extra build -o requirements.lock
	@$(COMPILE) --extra dev -c requirements.lock -o requirements-dev.lock \
	  $$(sed -n 's/^\([a-z0-9-]*\)==.*/--no-emit-package \1/p' requirements.lock | sort -u)

browser:
	@sh tests/support/bring_browser.sh

clean:           ## remove what can be made again (never a recording)
	@rm -rf $(VENV) .mypy_cache .ruff_cache .pytest_cache .hypothesis screenshots dist \
	  tests/support/javascript/node_modules

$(PROGRAM): requirements.lock pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { \
	  echo "dutytrace needs Python 3.11 or newer; $(PYTHON) is $$($(PYTHON) --version 2>&1). Name another with make PYTHON=..." >&2; exit 2; }
	@echo "Making $(VENV) from requirements.lock (once)"
	@$(PYTHON) -m venv $(VENV)
	@$(PIP) --require-hashes -r requirements.lock
	@$(PIP) --no-build-isolation -q -e .
	@touch $@

$(TOOLS): requirements-dev.lock $(PROGRAM)
	@echo "Adding tests and tools from requirements-dev.lock (once)"
	@$(PIP) --require-hashes -r requirements-dev.lock
	@touch $@
