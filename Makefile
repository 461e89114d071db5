# Needs make and Python 3.11 or newer; everything else is installed into .venv, at the versions of constraints.txt.

VENV := .venv
STAMP := $(VENV)/.installed
RUN := $(VENV)/bin
# Another interpreter: make PYTHON=/path/to/python3.12 test
PYTHON ?=
CC ?= cc
CFLAGS ?= -O2
C_WARNINGS := -std=gnu11 -Wall -Wextra -Werror

PEERS := $(patsubst tests/foreign/peers/%.c,tests/foreign/bin/%,$(wildcard tests/foreign/peers/*.c))
BENCH_PEERS := $(patsubst bench/peers/%.c,bench/peers/bin/%,$(wildcard bench/peers/*.c))

.DEFAULT_GOAL := help
.PHONY: help demo test check bench soak format docs clean peers bench-peers constraints

help: ## this list
	@sed -n 's/^\([a-z]*\):.*## \(.*\)/make \1\t\2/p' Makefile | expand -t 20

demo: $(STAMP) ## the whole of it on simulated controllers, no hardware
	@$(RUN)/wherry demo

test: $(STAMP) peers ## every test
	$(RUN)/python -m pytest -n 2

check: $(STAMP) ## format, lint, types, layers, house rules
	$(RUN)/ruff format --check .
	$(RUN)/ruff check .
	$(RUN)/mypy
	$(RUN)/lint-imports
	$(RUN)/python -m pytest -q tests/tidy

bench: $(STAMP) peers bench-peers ## measure against other stacks and print a table (several minutes)
	$(RUN)/python -m bench

# For how long `make soak` explores.
MINUTES ?= 10

soak: $(STAMP) ## rehearse seed after seed for MINUTES=10 on every core, and print what was found
	$(RUN)/python -m wherry.cli.soak --minutes $(MINUTES)

format: $(STAMP) ## rewrite the sources as `make check` wants them
	$(RUN)/ruff format .
	$(RUN)/ruff check --fix .

docs: $(STAMP) ## write the generated pages again (the plan file, the findings)
	$(RUN)/python -m wherry.plan.reference docs/plan.md
	$(RUN)/python -m wherry.checks.pages docs/findings.md

clean: ## remove everything that make made
	rm -rf $(VENV) tests/foreign/bin bench/peers/bin .mypy_cache .ruff_cache .hypothesis .import_linter_cache

constraints: $(STAMP) ## write constraints.txt from what is installed in .venv
	@sed '/^[^#]/d' constraints.txt > constraints.txt.new
	@$(RUN)/python -m pip freeze --exclude-editable | LC_ALL=C sort -f >> constraints.txt.new
	@mv constraints.txt.new constraints.txt

# The virtual environment. Made again only when what it must hold has changed.
$(STAMP): pyproject.toml constraints.txt
	@test -x $(RUN)/python || sh tools/make_venv.sh "$(VENV)" "$(PYTHON)"
	@echo "installing into $(VENV) (a minute the first time)"
	@$(RUN)/python -m pip install --quiet --disable-pip-version-check -c constraints.txt hatchling editables
	@$(RUN)/python -m pip install --quiet --disable-pip-version-check -c constraints.txt --no-build-isolation -e '.[all,dev]'
	@touch $@

# Other people's protocol stacks, as small C programs. Without a compiler or the library the tests that need them are
# skipped, and say so.
define BUILD_IF_POSSIBLE
@if ! command -v $(CC) >/dev/null 2>&1; then \
  echo "note: no C compiler ($(CC)): $(1) will be skipped"; \
elif ! pkg-config --exists libmodbus 2>/dev/null; then \
  echo "note: libmodbus or pkg-config not found (Debian: libmodbus-dev pkg-config): $(1) will be skipped"; \
else \
  $(MAKE) --no-print-directory --silent $(2); \
fi
endef

peers:
	$(call BUILD_IF_POSSIBLE,tests against the C library libmodbus,$(PEERS))

bench-peers:
	$(call BUILD_IF_POSSIBLE,most of the bench,$(BENCH_PEERS))

tests/foreign/bin/%: tests/foreign/peers/%.c
	@mkdir -p $(@D)
	$(CC) $(CFLAGS) $(C_WARNINGS) -o $@ $< $$(pkg-config --cflags --libs libmodbus)

bench/peers/bin/%: bench/peers/%.c
	@mkdir -p $(@D)
	$(CC) $(CFLAGS) $(C_WARNINGS) -o $@ $< $$(pkg-config --cflags --libs libmodbus)
