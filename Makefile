# Everything a developer or CI runs. Needs cargo, Python 3.10 or later, and make.
#
#   make test    everything CI checks: lints, Rust, wheel, stubs, Python, notebooks
#   make demo    the demo scenario: models, plates, table, report, in out/demo
#   make bench   ratios against general-purpose peers, measured in the same run; the share of
#                every mode in a check; the memory that a large plate takes
#   make dev     the package in .venv, quick to build, for trying things out
#   make docs    the site, in out/site; open out/site/docs/index.html
#   make reference   writes the pages of docs/reference anew from what the code declares

PYTHON ?= python3
BIN := .venv/bin
PIP := $(BIN)/python -m pip install --quiet --only-binary :all:
STUBTEST := $(BIN)/python -m mypy.stubtest vatwright._core --mypy-config-file pyproject.toml \
	--allowlist tests/python/stubtest-allow.txt

# Property tests draw the same cases in every run; another number searches elsewhere.
export PROPTEST_RNG_SEED ?= 1
export PIP_DISABLE_PIP_VERSION_CHECK := 1
export PYO3_PYTHON := $(CURDIR)/$(BIN)/python

.PHONY: test lint test-rust test-python demo bench dev release reference docs clean

test: lint test-rust test-python

# All that building needs of Python.
$(BIN)/python:
	$(PYTHON) -m venv .venv

# Tools and test libraries, brought up to date when the list of them changes.
.venv/made: pyproject.toml | $(BIN)/python
	$(PIP) --upgrade pip
	$(PIP) --group test --group lint
	touch $@

# The package as users get it, but built like the Rust tests, so that both share one build.
dev: .venv/made
	rm -rf target/wheels/dev
	MATURIN_PEP517_ARGS="--profile dev" $(BIN)/python -m pip wheel --quiet --no-deps \
		--wheel-dir target/wheels/dev .
	$(PIP) --force-reinstall --no-deps target/wheels/dev/vatwright-*.whl

# The package as users get it.
release: .venv/made
	rm -rf target/wheels/release
	$(BIN)/python -m pip wheel --quiet --no-deps --wheel-dir target/wheels/release .
	$(PIP) --force-reinstall --no-deps target/wheels/release/vatwright-*.whl

lint: .venv/made
	cargo fmt --check
	cargo clippy --quiet --workspace --all-targets -- -D warnings
	$(BIN)/ruff check
	$(BIN)/ruff format --check

# With two jobs the Rust tests build while pip loads, and one core is not idle while the other
# works on what cannot be shared.
test-rust: | $(BIN)/python
	cargo test --workspace
	RUSTDOCFLAGS="-D warnings" cargo doc --quiet --no-deps --package vatwright

test-python: dev
	$(BIN)/mypy
	$(STUBTEST)
	$(BIN)/pytest

reference:
	WRITE_REFERENCE=1 cargo test --workspace --test all -- reference::

# Runs the notebooks; a warning, such as a link that leads nowhere, fails it.
docs: dev
	$(PIP) --group docs
	$(BIN)/sphinx-build -q -W --keep-going -c docs . out/site

demo: release
	$(BIN)/python -m vatwright.demo out/demo

bench: release
	$(PIP) --group bench
	cargo run --quiet --release --example check_share
	cargo run --quiet --release --example large_plate
	$(BIN)/python tests/bench/run.py --keep out/bench.json

clean:
	rm -rf .venv out target
