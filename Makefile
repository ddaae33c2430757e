# The daily tasks, with the tools in .venv (the README's test command makes it). `make` alone runs what must pass.
.PHONY: all test lint types borders pages traces coverage benchmarks audit
BIN := .venv/bin

all: lint types borders test

test:        ## the tests, on every core; one process to look into a failure: make test ARGS='-n 0 -x tests/drivers'
	$(BIN)/python -m pytest $(ARGS)

lint:        ## slips and layout
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .

types:       ## mypy, strict
	$(BIN)/mypy

borders:     ## which room imports which
	$(BIN)/lint-imports

pages:       ## the reference pages, written anew
	$(BIN)/sequencer reference --into sequencer/reference/pages --force

traces:      ## the kept traces, measured anew; only where other questions are meant
	$(BIN)/python -m tests.support.keep_traces

coverage:    ## branches that no test takes; the tests' own processes are counted too
	$(BIN)/python -m coverage erase
	$(BIN)/python -m coverage run -m pytest $(ARGS)
	$(BIN)/python -m coverage combine --quiet
	$(BIN)/python -m coverage report --skip-covered --show-missing

benchmarks:  ## speed, as ratios; takes minutes
	set -e; for each in tests/benchmarks/bench_*.py; do echo "== $$each"; $(BIN)/python $$each; done

audit:       ## holes that are known of what is installed: asks for advisories over the network; what cannot be looked up fails it too
	python3 -m venv .audit
	.audit/bin/pip install --quiet pip-audit
	$(BIN)/python -m pip freeze --exclude radio-bench-sequencer > .audit/installed.txt
	.audit/bin/pip-audit --requirement .audit/installed.txt --no-deps --disable-pip --strict
