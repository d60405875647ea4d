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

libraries := libserialport libmodbus sqlite3 libmicrohttpd jansson gsl inih libzstd libsystemd
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
pure_rooms := signature reference verdict trend
pure_sources := $(sort $(wildcard $(pure_rooms:%=daemon/%/*.c)) daemon/base/reading.c \
                daemon/base/error.c daemon/base/number.c daemon/base/text_file.c \
                daemon/base/trace_file.c)
sources := $(sort $(wildcard daemon/*/*.c))
objects := $(sources:%.c=$(BUILD)/%.o)
pure_objects := $(pure_sources:%.c=$(BUILD)/%.o)

# Unit tests: one program a tests/unit/test_*.c or tests/outside/test_*.c.
test_sources := $(sort $(wildcard tests/unit/test_*.c tests/outside/test_*.c tests/fault/test_*.c))
test_programs := $(test_sources:%.c=$(BUILD)/%)
bench_sources := $(sort $(wildcard tests/bench/bench_*.c))
bench_programs := $(bench_sources:%.c=$(BUILD)/%)
# Shared by test programs.
test_support := $(sort $(wildcard tests/support/*.c))
test_support_objects := $(test_support:%.c=$(BUILD)/%.o)

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

-include $(objects:.o=.d) $(BUILD)/daemon/main.d $(test_programs:=.d) $(bench_programs:=.d) \
         $(test_support_objects:.o=.d)

.PHONY: tests
tests: $(test_programs)

.PHONY: clean
clean:
	rm -rf $(BUILD)
