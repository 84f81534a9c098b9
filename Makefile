# Everything a person types. Each target sets up what it needs: a Python 3.11+ and this file are enough.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
INSTALLED := $(VENV)/.installed
RECORDING := .cache/recordings/Task1_Respiration.npy
export PIP_DISABLE_PIP_VERSION_CHECK := 1
export PREFECT_SERVER_ANALYTICS_ENABLED := false
export DO_NOT_TRACK := 1

.PHONY: help setup demo test lint audit format samples bench evaluate guides characterise lock clean soak dictionary front

help:  ## say what there is
	@grep -E '^[a-z]+:.*##' $(MAKEFILE_LIST) | sed -E 's/:.*## /\t/' | expand -t 12

setup: $(INSTALLED)  ## install everything into .venv

$(INSTALLED): requirements.lock pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' \
	  || { echo "drainledger needs Python 3.11 or later; name one with: make $(MAKECMDGOALS) PYTHON=python3.12"; exit 1; }
	test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --no-compile --require-hashes -r requirements.lock
	-$(BIN)/python -m compileall -q -j 0 $(VENV)/lib flows pipeline schemas shared > /dev/null  # pip does it one file after another
	$(BIN)/python -m pip install --quiet --no-deps --no-build-isolation -e .
	touch $@

demo: $(INSTALLED)  ## load the sample logs into ./demo-ledger and print the main figures
	$(BIN)/drainledger demo

test: $(INSTALLED) $(RECORDING)  ## run the tests, all but the long ones of soak
	$(BIN)/python -m pytest -n 2 --dist loadfile -q --durations=20

lint: $(INSTALLED)  ## style, types and the layers
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports
	$(BIN)/bandit --quiet --configfile pyproject.toml --recursive schemas pipeline flows

audit: $(INSTALLED)  ## known holes of the pinned dependencies; says so where nobody can be asked
	$(BIN)/python -m tests.support.audit

format: $(INSTALLED)  ## put the code into shape
	$(BIN)/ruff format .
	$(BIN)/ruff check --fix .

samples: $(INSTALLED)  ## write sample_logs/ again
	$(BIN)/python -m pipeline.simulate.samples

bench: $(INSTALLED)  ## measure speed against named peers; BENCH="signal course" for some
	$(BIN)/python -m tests.benchmarks $(BENCH)

dictionary: $(INSTALLED)  ## write the data dictionary of the published database again
	$(BIN)/python -m pipeline.marts.dictionary

front: $(INSTALLED)  ## write the page that `drainledger --help` prints again
	$(BIN)/python -m flows.front_page

guides: $(INSTALLED)  ## draw the pictures of the README and of the guide to the course again
	$(BIN)/python -m tests.evaluation.front_pictures
	$(BIN)/python -m tests.evaluation.course_pictures

soak: $(INSTALLED)  ## 300 kills, 10 000 broken files, the tests marked long; SOAK="--kills 50 --mutants 0" for less
	$(BIN)/python -m tests.soak $(SOAK)
	$(BIN)/python -m pytest -n 2 --dist loadfile -q -m long

evaluate: $(INSTALLED)  ## the course of simulated drains against the truth; DRAINS="--drains 40 --seed 1" for another fleet
	$(BIN)/python -m tests.evaluation.evaluate $(DRAINS)

characterise: $(INSTALLED) $(RECORDING)  ## the breathing detector on traces of known truth; fills in the guide
	$(BIN)/python -m tests.evaluation.characterise $(CHARACTERISE)

lock: $(INSTALLED)  ## pin the dependencies again, with hashes
	$(BIN)/uv pip compile pyproject.toml --group dev --all-extras --universal --generate-hashes \
	  --no-emit-index-url --no-header --quiet --upgrade -o requirements.lock

# A real recording of a person breathing, which a source package carries; used by the tests, never copied here.
$(RECORDING): tests/reference/recordings.txt | $(INSTALLED)
	mkdir -p .cache/recordings
	$(BIN)/python -m pip download --quiet --no-deps --no-binary systole --require-hashes \
	  -d .cache/recordings -r tests/reference/recordings.txt
	tar -xzf .cache/recordings/systole-*.tar.gz -C .cache/recordings --strip-components=4 \
	  --wildcards '*/datasets/Task1_Respiration.npy'
	touch $@

clean:  ## remove what was installed and made
	rm -rf $(VENV) .cache demo-ledger
