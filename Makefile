# SPDX-License-Identifier: GPL-3.0-or-later
#
# make          build/wakedraw and build/libwakedraw.a
# make demo     prepare, build, run the Harbour Lane bench; Ctrl-C ends it
# make check    prepare, build, run every test
# make help     the rest

SHELL := /bin/bash
.SHELLFLAGS := -euo pipefail -c
.DELETE_ON_ERROR:

BUILD ?= build
CC ?= gcc
VERSION := 0.1.0

libraries := libserialport libmodbus sqlite3 libmicrohttpd jansson gsl inih libzstd libsystemd gnutls zlib
warnings := -Wall -Wextra -Werror -Wshadow -Wstrict-prototypes -Wmissing-prototypes \
            -Wpointer-arith -Wcast-qual -Wwrite-strings -Wformat=2 -Wundef -Wvla \
            -Wdouble-promotion -Wno-format-truncation
OPTIMISE ?= -O2 -g -D_FORTIFY_SOURCE=2
SANITIZE ?=
CPPFLAGS += -D_GNU_SOURCE -DWAKEDRAW_VERSION='"$(VERSION)"' -Idaemon
CFLAGS += -std=c11 $(warnings) $(OPTIMISE) $(SANITIZE) -fno-math-errno -ffp-contract=off \
          -fstack-protector-strong -pthread
LDFLAGS += $(SANITIZE) -pthread
# Looked up only where something is compiled: preparation runs before they exist.
package_flags = $(shell pkg-config --cflags $(libraries))
LDLIBS = $(shell pkg-config --libs $(libraries)) -lm

# The pure rooms, which other programs can link: no I/O, no clock.
pure_rooms := signature reference verdict trend record
pure_sources := $(sort $(wildcard $(pure_rooms:%=daemon/%/*.c)) daemon/base/reading.c \
                daemon/base/error.c daemon/base/number.c daemon/base/text_file.c \
                daemon/base/trace_file.c)
sources := $(sort $(wildcard daemon/*/*.c))
# The simulated bench can be taken away whole; nothing else leans on it.
ifeq ($(wildcard daemon/simulate/simulator.h),)
sources := $(filter-out daemon/commands/simulate.c,$(sources))
endif
objects := $(sources:%.c=$(BUILD)/%.o)
pure_objects := $(pure_sources:%.c=$(BUILD)/%.o)

# What judges and cuts every reading.
ifeq ($(SANITIZE),)
$(filter $(BUILD)/daemon/signature/% $(BUILD)/daemon/reference/% $(BUILD)/daemon/verdict/%,$(objects)): CFLAGS += -O3 -fno-trapping-math
endif

# Unit tests: one program a tests/unit/test_*.c or tests/outside/test_*.c.
test_sources := $(sort $(wildcard tests/unit/test_*.c tests/outside/test_*.c tests/fault/test_*.c))
test_programs := $(test_sources:%.c=$(BUILD)/%)
# What wire tests drive beside the program.
wire_programs := $(BUILD)/tests/recorded/hand
bench_sources := $(sort $(wildcard tests/bench/bench_*.c))
bench_programs := $(bench_sources:%.c=$(BUILD)/%)
# Shared by test programs.
test_support := $(sort $(wildcard tests/support/*.c))
test_support_objects := $(test_support:%.c=$(BUILD)/%.o)
every_test_source := $(sort $(wildcard tests/*/*.c))

.PHONY: all
all: $(BUILD)/wakedraw $(BUILD)/libwakedraw.a

$(BUILD)/wakedraw: $(BUILD)/daemon/main.o $(objects)
	@echo "  link  $@"
	@$(CC) $(LDFLAGS) -o $@ $^ $(LDLIBS)

$(BUILD)/libwakedraw.a: $(pure_objects)
	@echo "  pack  $@"
	@rm -f $@
	@$(AR) rcs $@ $^

# Everything but main.c, for the tests to link with.
$(BUILD)/all.a: $(objects)
	@rm -f $@
	@$(AR) rcs $@ $^

$(BUILD)/%.o: %.c
	@mkdir -p $(@D)
	@echo "  cc    $<"
	@$(CC) $(CPPFLAGS) $(package_flags) $(CFLAGS) -MMD -MP -c -o $@ $<

$(BUILD)/tests/%.o: CPPFLAGS += -Itests
$(BUILD)/tests/%: $(BUILD)/tests/%.o $(test_support_objects) $(BUILD)/all.a
	@$(CC) $(LDFLAGS) -o $@ $^ $(LDLIBS) -lcmocka

.SECONDARY:

-include $(objects:.o=.d) $(BUILD)/daemon/main.d $(test_programs:=.d) $(bench_programs:=.d) $(wire_programs:=.d) \
         $(test_support_objects:.o=.d) $(wildcard $(BUILD)/tests/accuracy/*.d \
         $(BUILD)/tests/calibration/*.d)

.PHONY: tests
tests: $(test_programs) $(wire_programs)

.PHONY: clean
clean:
	rm -rf $(BUILD)

# --- for a new user ---

.PHONY: demo
demo:
	@.ci/prepare demo
	@$(MAKE) --no-print-directory -s -j$$(nproc) all
	@exec signatures/harbour-lane/demo.sh $(BUILD)

# --- tests ---

PYTHON := /usr/bin/python3
wire_tests := $(sort $(wildcard tests/wire/test_*.py))
browser_tests := $(sort $(wildcard tests/browser/test_*.mjs))

.PHONY: check
check:
	@.ci/prepare check
	@$(MAKE) --no-print-directory -j$$(nproc) all tests
	@$(PYTHON) tests/run $(test_programs) $(wire_tests) $(browser_tests)

.PHONY: check-unit check-wire check-browser
check-unit: all tests
	@$(PYTHON) tests/run $(test_programs)
check-wire: all $(wire_programs)
	@$(PYTHON) tests/run $(wire_tests)
check-browser: all
	@$(PYTHON) tests/run $(browser_tests)

# The unit tests again with the address and undefined-behaviour sanitizers, and
# under valgrind.
.PHONY: asan
asan:
	@.ci/prepare check
	@$(MAKE) --no-print-directory -j$$(nproc) BUILD=$(BUILD)/asan OPTIMISE="-O1 -g" \
	    SANITIZE="-fsanitize=address,undefined -fno-sanitize-recover=all -fno-omit-frame-pointer" \
	    all tests
	@ASAN_OPTIONS=detect_stack_use_after_return=1 \
	    $(PYTHON) tests/run $(test_sources:%.c=$(BUILD)/asan/%)
	@WAKEDRAW=$(BUILD)/asan/wakedraw $(PYTHON) tests/run $(wire_tests)

.PHONY: memcheck
memcheck: all tests
	@for program in $(test_programs); do \
	    echo "  valgrind $$program"; \
	    valgrind -q --error-exitcode=99 --leak-check=full --errors-for-leak-kinds=definite \
	        $$program >/dev/null 2>$(BUILD)/memcheck.txt || { cat $(BUILD)/memcheck.txt; exit 1; }; \
	done

.PHONY: lint
lint: compile_commands.json
	@.ci/prepare lint
	@clang-format --dry-run --Werror $$(git ls-files '*.c' '*.h')
	@printf '%s\n' $(sources) daemon/main.c $(every_test_source) | \
	    xargs -P$$(nproc) -n1 sh -c 'clang-tidy --quiet -p . "$$0" 2>/dev/null || { echo "$$0"; exit 255; }'

# False verdicts and misses on made-up benches, 50 seeds or SEEDS, as usual and
# with the spread of units, the readings or the voltage made worse.
SEEDS ?= 50
.PHONY: accuracy
accuracy: $(BUILD)/tests/accuracy/accuracy
	@for variant in usual halved doubled independent strays volts two-volts drift repeats; do \
	$< $(SEEDS) 1 $$variant || exit 1; done
	@for variant in usual doubled; do $< $(SEEDS) 1 $$variant together || exit 1; done

$(BUILD)/tests/accuracy/accuracy: $(patsubst %.c,$(BUILD)/%.o,$(wildcard tests/accuracy/*.c)) \
                                  $(BUILD)/all.a
	@$(CC) $(LDFLAGS) -o $@ $^ $(LDLIBS)

$(BUILD)/tests/calibration/calibrate: $(patsubst %.c,$(BUILD)/%.o,$(wildcard tests/calibration/*.c)) \
                                      $(BUILD)/tests/accuracy/generator.o $(BUILD)/all.a
	@$(CC) $(LDFLAGS) -o $@ $^ $(LDLIBS)

.PHONY: bench
bench: all $(bench_programs)
	@.ci/prepare check
	@status=0; for program in $(bench_programs); do $$program || status=1; done; \
	for script in $(sort $(wildcard tests/bench/*.py)); do $(PYTHON) $$script || status=1; done; \
	node tests/browser/test_bench.mjs painted | grep painted || status=1; \
	node tests/browser/test_first_view.mjs | grep -v passed || status=1; exit $$status

# For editors and clang-tidy: one entry a source, from the same flags.
compile_commands.json: Makefile
	@{ echo '['; separator=''; for source in daemon/main.c $(sources) $(every_test_source); do \
	    printf '%s{"directory": "%s", "file": "%s", "command": "%s"}' "$$separator" "$(CURDIR)" \
	        "$$source" "$(CC) $(subst ",\\\",$(CPPFLAGS)) -Itests $(package_flags) -std=c11 -c $$source"; \
	    separator=$$',\n'; done; echo; echo ']'; } >$@

# --- installing ---

PREFIX ?= /usr/local
DESTDIR ?=

.PHONY: install
install: all
	@.ci/prepare demo
	install -D -m 755 $(BUILD)/wakedraw $(DESTDIR)$(PREFIX)/bin/wakedraw
	install -d $(DESTDIR)$(PREFIX)/share/wakedraw/profiles $(DESTDIR)$(PREFIX)/share/wakedraw/web
	install -m 644 daemon/profiles/*.ini $(DESTDIR)$(PREFIX)/share/wakedraw/profiles/
	cp -R web/*.html web/manifest.webmanifest web/openapi.json web/lib web/paper web/style web/views \
	    $(DESTDIR)$(PREFIX)/share/wakedraw/web/
	install -D -m 644 -t $(DESTDIR)$(PREFIX)/share/wakedraw/web/node_modules/uplot/dist \
	    web/node_modules/uplot/dist/uPlot.esm.js \
	    web/node_modules/uplot/dist/uPlot.iife.min.js web/node_modules/uplot/dist/uPlot.min.css
	install -D -m 644 -t $(DESTDIR)$(PREFIX)/share/wakedraw/modules \
	    signatures/harbour-lane/modules/*.ini
	install -D -m 644 systemd/wakedraw.service $(DESTDIR)/etc/systemd/system/wakedraw.service
	install -D -m 644 systemd/wakedraw.sysusers $(DESTDIR)/usr/lib/sysusers.d/wakedraw.conf
	install -D -m 644 systemd/70-wakedraw.rules $(DESTDIR)/etc/udev/rules.d/70-wakedraw.rules

.PHONY: help
help:
	@printf '%s\n' \
	    'make              build/wakedraw and build/libwakedraw.a' \
	    'make demo         prepare, build, run the Harbour Lane bench; Ctrl-C ends it' \
	    'make check        prepare, build, run every test' \
	    'make check-unit   unit and outside checks; also check-wire, check-browser' \
	    'make lint         clang-format and clang-tidy' \
	    'make asan         the tests with address and undefined-behaviour sanitizers' \
	    'make memcheck     the unit tests under valgrind' \
	    'make bench        speed, as ratios or against stated limits' \
	    'make accuracy     false verdicts and misses on made-up benches' \
	    'make calibrate    whether what is claimed holds, in simulation' \
	    'make install      to PREFIX (/usr/local)'

# Whether what references and verdicts claim holds, in simulation: a table.
.PHONY: calibrate
calibrate: $(BUILD)/tests/calibration/calibrate
	@$<
