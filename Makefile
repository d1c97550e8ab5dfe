# Needs make, git and Python 3.11 or newer; installs the rest by itself.

PYTHON  ?= python3
VENV    ?= .venv
ARGS    ?=
# Seconds that make fuzz takes.
TIME    ?= 120
PIP_TOOLS = pip-tools==7.6.2

override VENV := $(patsubst %/,%,$(VENV))
py      := $(VENV)/bin/python
pip     := $(py) -m pip --quiet --disable-pip-version-check --no-input
# Wheels only: a fresh machine has no compiler, and no package may run code while it is installed.
install := $(pip) install --require-hashes --only-binary :all: -r
# No build isolation: setuptools is in the lock, so nothing unpinned is fetched.
self    := $(pip) install --no-deps --no-build-isolation -e .

# The theme prints a notice about the future of its engine on every build.
export NO_MKDOCS_2_WARNING := 1
# Tests drive the system's Chromium.
export PLAYWRIGHT_SKIP_BROWSER_DOWNLOAD := 1

.DEFAULT_GOAL := help
.DELETE_ON_ERROR:
.NOTPARALLEL:
.PHONY: help install serve test check format build bench fuzz screenshots lock clean

help:
	@echo 'make serve   check the cards, then serve the site with live reload'
	@echo 'make test    install what the tests need, Chromium included, and run them'
	@echo 'make check   report every problem in the cards'
	@echo 'make format  put the cards into the one layout'
	@echo 'make build   check the cards and write the site'
	@echo 'make bench   measure the speed of the builder'
	@echo 'make fuzz    try the builder on hostile input (TIME=600 for ten minutes), and count the inputs'
	@echo 'make screenshots   a picture of every kind of page, in every palette and width and on paper'
	@echo 'make install install what the site needs, and stop there'
	@echo 'make lock    pin the dependencies anew (UPGRADE=1 moves to the newest releases)'
	@echo 'make clean   remove the environment and everything built'
	@echo
	@echo 'PYTHON=python3.12 picks an interpreter, CHROMIUM=/path a browser,'
	@echo 'ARGS="..." adds options to the command that is run.'

# A faulty card (exit 1) does not stop the server: the browser shows the problems
# and follows the repair. Anything else does.
serve: $(VENV)/site.stamp
	@$(py) -m builder check || [ $$? -eq 1 ]
	@$(py) -m builder serve $(ARGS)

check: $(VENV)/site.stamp
	@$(py) -m builder check $(ARGS)

format: $(VENV)/site.stamp
	@$(py) -m builder format $(ARGS)

install: $(VENV)/site.stamp

build: $(VENV)/site.stamp
	@$(py) -m builder build $(ARGS)

test: $(VENV)/test.stamp
	@$(need_chromium); $(py) -m pytest $(ARGS)

bench: $(VENV)/test.stamp
	@$(need_chromium); $(py) tests/bench.py $(ARGS)

# Exit code 1 if anything failed; the failing input is in .fuzz/found.
fuzz: $(VENV)/fuzz.stamp
	@$(py) tests/fuzz.py --time $(TIME) $(ARGS)

screenshots: $(VENV)/test.stamp
	@$(need_chromium); $(py) tests/pictures.py $(ARGS)

# A stamp is newer than what it was made from; a changed lock is installed again.
# The second set holds the first, so that both can live in one environment.
$(VENV)/site.stamp: requirements/site.txt pyproject.toml $(VENV)/venv.stamp
	@echo 'Installing the pinned packages for the site ...'
	@$(install) requirements/site.txt
	@$(self)
	@touch $@

$(VENV)/test.stamp: requirements/test.txt pyproject.toml $(VENV)/venv.stamp
	@echo 'Installing the pinned packages for the site and its tests ...'
	@$(install) requirements/test.txt
	@$(self)
	@if ! $(driver_starts); then \
	  $(call apt_install,A library of the browser driver,libatomic1); \
	  $(driver_starts) || { echo 'The browser driver does not start:' >&2; $(py) -m playwright --version; exit 1; }; \
	fi
	@touch $@ $(VENV)/site.stamp

$(VENV)/fuzz.stamp: requirements/fuzz.txt pyproject.toml $(VENV)/test.stamp
	@echo 'Installing the pinned packages for fuzzing ...'
	@$(install) requirements/fuzz.txt
	@touch $@

$(VENV)/venv.stamp:
	@$(python_is_new_enough)
	@if ! $(has_ensurepip); then \
	  version=$$($(PYTHON) -c 'import sys; print("python%d.%d" % sys.version_info[:2])'); \
	  $(call apt_install,The venv module of $$version,$$version-venv); \
	  $(has_ensurepip) || { echo '$(PYTHON) cannot make an environment (no ensurepip); try another with make PYTHON=...' >&2; exit 1; }; \
	fi
	@echo 'Creating the environment $(VENV) ...'
	@$(PYTHON) -m venv --clear $(VENV)
	@touch $@

# Made with the oldest Python that we support, Debian 12's: a newer one, even by its third
# number, picks releases that the oldest cannot install.
lock:
	@$(PYTHON) -c 'import sys; sys.exit(not (3, 11) <= sys.version_info[:3] <= (3, 11, 2))' || \
	  { echo 'make lock needs the Python of Debian 12, 3.11.2: name it with make lock PYTHON=...' >&2; exit 1; }
	@rm -rf $(VENV)-lock
	@$(PYTHON) -m venv $(VENV)-lock
	@$(VENV)-lock/bin/python -m pip --quiet --disable-pip-version-check install '$(PIP_TOOLS)'
	@mkdir -p requirements
	@$(call compile,site)
	@$(call compile,test,--extra test --constraint requirements/site.txt)
	@$(call compile,fuzz,--extra test --extra fuzz --constraint requirements/test.txt)
	@rm -rf $(VENV)-lock

compile = echo 'Pinning requirements/$(1).txt ...'; \
	CUSTOM_COMPILE_COMMAND='make lock' $(VENV)-lock/bin/python -m piptools compile --quiet \
	  --generate-hashes --allow-unsafe --strip-extras --all-build-deps $(2) $(if $(UPGRADE),--upgrade) \
	  --no-emit-index-url --no-emit-trusted-host --no-emit-find-links --no-emit-options \
	  --output-file requirements/$(1).txt pyproject.toml

clean:
	@rm -rf $(VENV) $(VENV)-lock .fuzz site screenshots build dist .cache .pytest_cache .hypothesis *.egg-info
	@find . -name __pycache__ -type d -prune -exec rm -rf {} +

# --- shell fragments ---

python_is_new_enough = $(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null || \
	{ echo '$(PYTHON) is missing or older than 3.11: name a newer one with make PYTHON=python3.12' >&2; exit 1; }

# What venv itself needs; Debian keeps it in a package of its own.
has_ensurepip = $(PYTHON) -c 'import ensurepip, venv' 2>/dev/null

# The driver is a program of its own inside the Python package; a minimal Debian lacks a library it needs.
driver_starts = $(py) -m playwright --version >/dev/null 2>&1

# Leaves CHROMIUM as given; else takes the first of the usual names on PATH, or nothing.
find_chromium = CHROMIUM="$${CHROMIUM:-$$(command -v chromium || command -v chromium-browser || command -v google-chrome || true)}"

need_chromium = $(find_chromium); \
	if [ -z "$$CHROMIUM" ]; then \
	  $(call apt_install,Chromium,chromium fonts-liberation); \
	  $(find_chromium); \
	fi; \
	command -v "$$CHROMIUM" >/dev/null || { echo "No Chromium at '$$CHROMIUM': name one with make test CHROMIUM=/path/to/chromium" >&2; exit 1; }; \
	export CHROMIUM

# $(1) what is missing, $(2) its Debian packages. Installs when it can, else says the command.
apt_install = command -v apt-get >/dev/null || { echo "$(1) is missing: install it with the system's package manager" >&2; exit 1; }; \
	as_root=; \
	if [ "$$(id -u)" != 0 ]; then \
	  if command -v sudo >/dev/null && { [ -t 0 ] || sudo -n true 2>/dev/null; }; then as_root=sudo; \
	  else echo "$(1) is missing. Run as root: apt-get update && apt-get install $(2)" >&2; exit 1; fi; \
	fi; \
	echo "$(1) is missing: installing $(2) through apt-get ..."; \
	apt_says=$$($$as_root apt-get -qq update 2>&1 && \
	  $$as_root env DEBIAN_FRONTEND=noninteractive apt-get -qq install --yes --no-install-recommends $(2) </dev/null 2>&1) || \
	  { echo "$$apt_says"; echo "That failed. Run as root: apt-get update && apt-get install $(2)" >&2; exit 1; }
