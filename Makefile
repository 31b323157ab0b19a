# Each target sets itself up in .venv on first use; python3 and make are enough.
PYTHON ?= python3
BIN := .venv/bin
RUN := $(BIN)/python
OUT ?= out

# Test files run side by side, each in one process.
TOGETHER := -n auto --dist loadfile

# BLAS threads slow small products down on a busy machine, and change no result.
export OPENBLAS_NUM_THREADS ?= 1

# Each package is the one that is named in locked/, bit for bit, and none runs a program of its own when installed.
INSTALL := $(BIN)/pip install --quiet --disable-pip-version-check --no-deps --require-hashes --only-binary :all: -r

.PHONY: help plan lab test fast bench mutants figures notebooks site versions lock clean

help:
	@echo "make plan       plan the bundled machine into $(OUT)/"
	@echo "make lab        open the notebooks"
	@echo "make test       everything that must hold"
	@echo "make fast       the tests without notebooks, browser and what takes long"
	@echo "make bench      speed, as ratios measured in one run"
	@echo "make mutants    whether the tests notice small mistakes; takes hours, FILES=plan.py for one file"
	@echo "make figures    redraw figures/"
	@echo "make notebooks  run every notebook and store its outputs"
	@echo "make site       the notebooks as pages in site/, to read without Jupyter"
	@echo "make versions   the tests on the lowest and on the newest versions of all packages"
	@echo "make lock       the packages of constraints.txt with their hashes and licenses into locked/"
	@echo "make clean      remove what the other targets made"

# Each step adds to the one before: what planning needs, what reading needs, what testing needs.
.venv/planned: pyproject.toml locked/plan.txt
	@$(PYTHON) -c 'import sys; sys.version_info >= (3, 11) or sys.exit("tapecalc needs Python 3.11 or newer: name one, as in make plan PYTHON=python3.13")'
	@echo "Setting up .venv, once: this takes a minute or two"
	$(PYTHON) -m venv .venv
	$(INSTALL) locked/plan.txt
	$(BIN)/pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e .
	touch $@

.venv/opened: .venv/planned locked/lab.txt
	@echo "Adding what the notebooks need, once: this takes another minute or two"
	$(INSTALL) locked/lab.txt
	touch $@

.venv/complete: .venv/opened locked/test.txt
	@echo "Adding what the tests need, once: this takes another minute"
	$(INSTALL) locked/test.txt
	touch $@

.venv/timed: .venv/complete locked/bench.txt
	$(INSTALL) locked/bench.txt
	touch $@

.venv/mutated: .venv/complete locked/mutants.txt
	$(INSTALL) locked/mutants.txt
	touch $@

plan: .venv/planned
	$(RUN) -m tapecalc plan --out $(OUT)

lab: .venv/opened
	$(BIN)/jupyter lab notebooks/00_index.ipynb

test: .venv/complete
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/lint-imports --no-cache
	$(BIN)/mypy
	$(BIN)/pytest -p no:nbval $(TOGETHER) --doctest-modules --cov --cov-report= -q -m "not weekly"
	$(BIN)/coverage report --skip-covered
	$(BIN)/pytest --nbval --nbval-current-env --nbval-sanitize-with tests/nbval.cfg --nbval-cell-timeout=120 $(TOGETHER) -q notebooks

fast: .venv/complete
	$(BIN)/ruff check .
	$(BIN)/pytest -p no:nbval $(TOGETHER) --doctest-modules -q -m "not browser and not slow and not weekly"

bench: .venv/timed
	@for file in tests/benchmarks/bench_*.py; do echo "== $$file"; $(RUN) $$file || failed=1; done; exit $$failed

mutants: .venv/mutated
	$(RUN) tools/mutants.py $(FILES)

# Drawn beside it: git may have changed the folder since tapecalc wrote it, which would then refuse it.
figures: .venv/complete
	rm -rf build/figures
	$(RUN) -m tapecalc figures --out build/figures
	rm -rf figures
	mv build/figures figures

notebooks: .venv/complete
	$(RUN) tools/notebook.py run notebooks/*.ipynb

site: .venv/complete
	$(RUN) tools/site.py

versions:
	tools/versions.sh $(PYTHON)

lock:
	$(PYTHON) -m venv build/lock
	build/lock/bin/pip install --quiet --disable-pip-version-check uv pip-licenses
	build/lock/bin/python tools/lock.py

clean:
	rm -rf .venv $(OUT) site build dist .pytest_cache .ruff_cache .hypothesis .coverage tapecalc.egg-info
	find . -name __pycache__ -type d -prune -exec rm -rf {} +
