# Everything a developer or CI runs. Needs cargo, Python 3.10 or later, and make.
#
#   make test    everything CI checks: lints, Rust, wheel, stubs, Python, notebooks
#   make demo    the demo scenario: models, plates, table, report, in out/demo
#   make bench   ratios against general-purpose peers, measured in the same run; the share of
#                every mode in a check; the memory that a large plate takes
#   make dev     the package in .venv, quick to build, for trying things out
#   make docs    the site, in out/site; open out/site/docs/index.html
#   make reference   writes the pages of docs/reference anew from what the code declares
#   make fuzz    every fuzz target for a minute (FUZZ_S=10: ten seconds); needs a nightly toolchain
#   make audit   licences, sources and known faults of everything that comes in from outside
#   make wheels  wheel and source archive in target/dist, checked and tried in an empty environment

PYTHON ?= python3
BIN := .venv/bin
PIP := $(BIN)/python -m pip install --quiet --only-binary :all:
STUBTEST := $(BIN)/python -m mypy.stubtest vatwright._core --mypy-config-file pyproject.toml \
	--allowlist tests/python/stubtest-allow.txt

# Property tests draw the same cases in every run; another number searches elsewhere.
export PROPTEST_RNG_SEED ?= 1
export PIP_DISABLE_PIP_VERSION_CHECK := 1
export PYO3_PYTHON := $(CURDIR)/$(BIN)/python

.PHONY: test lint test-rust test-python demo bench dev release reference docs fuzz audit wheels \
	clean

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
# The few tests inside the core need a build of it for themselves; without optimisation that takes
# less time than they would save.
test-rust: | $(BIN)/python
	cargo test --workspace --test all
	cargo test --workspace --lib --config profile.dev.package.vatwright.opt-level=0
	cargo test --workspace --doc
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

# Tools that cargo builds, once.
TOOLS := target/tools/bin
$(TOOLS)/cargo-%:
	cargo install --quiet --locked --root target/tools cargo-$*

# cargo-fuzz asks for nightly. What a target finds goes to target/fuzz; put it into
# rust/fuzz/regressions when it is mended.
FUZZ_S ?= 60
FUZZ_CARGO ?= +nightly
FUZZ_TARGETS := stl obj threemf part setup recipe report repair boolean scan
fuzz: $(TOOLS)/cargo-fuzz
	for target in $(FUZZ_TARGETS); do \
		mkdir -p target/fuzz/$$target && PATH="$(CURDIR)/$(TOOLS):$$PATH" \
		cargo $(FUZZ_CARGO) fuzz run --fuzz-dir rust/fuzz --target-dir target/fuzz/build $$target \
		target/fuzz/$$target rust/fuzz/seeds/$$target -- -max_total_time=$(FUZZ_S) \
		-artifact_prefix=target/fuzz/$$target- -timeout=20 -rss_limit_mb=4096 \
		-print_final_stats=1 || exit 1; \
	done

# Databases of known faults are on the network; where one cannot be had, that is said.
audit: .venv/made $(TOOLS)/cargo-deny
	$(TOOLS)/cargo-deny check bans licenses sources
	if $(TOOLS)/cargo-deny fetch db; then $(TOOLS)/cargo-deny --offline check advisories; \
		else echo "NOT CHECKED: the database of advisories for crates cannot be had"; fi
	$(PIP) --group audit
	$(BIN)/pip-licenses --python $(BIN)/python --partial-match --allow-only "$(LICENCES)"
	$(BIN)/pip-audit --progress-spinner off

LICENCES := MIT;BSD;Apache;ISC;Python Software Foundation;PSF-2.0;Mozilla Public License 2.0

# The wheel is built from the source archive, so that both are proven. It is linked by zig against
# the oldest C library that Rust supports, so that it runs on every Linux with glibc 2.17.
wheels: .venv/made
	rm -rf target/dist target/from-sdist && mkdir -p target/dist target/from-sdist
	$(PIP) --group wheels
	$(BIN)/maturin sdist --quiet --out target/dist
	tar -xzf target/dist/vatwright-*.tar.gz -C target/from-sdist --strip-components 1
	$(BIN)/maturin build --quiet --release --locked --target-dir target --out target/dist $(WHEEL) \
		--manifest-path target/from-sdist/rust/bindings/Cargo.toml
	$(BIN)/twine check --strict target/dist/*
	for python in $(PYTHONS); do \
		rm -rf target/empty && $$python -m venv target/empty && \
		target/empty/bin/python -m pip install --quiet --only-binary :all: target/dist/*.whl && \
		target/empty/bin/python -I tests/python/smoke.py || exit 1; \
	done

ifeq ($(shell uname -s),Linux)
WHEEL := --zig --compatibility manylinux_2_17
endif
# Each of these tries the wheel: make wheels PYTHONS="python3.10 python3.13"
PYTHONS ?= $(PYTHON)

clean:
	rm -rf .venv out target
