# foretrip - see `make help`. GNU make; everything that is built lands in $(B).

# ---- what to build, and how ------------------------------------------------------------------
CC      ?= gcc
ifeq ($(origin CC),default)
CC      := gcc
endif
SAN     ?=
B       ?= build$(if $(SAN),-$(subst $(comma),-,$(SAN)))
PREFIX  ?= /usr/local
DESTDIR ?=
UNITDIR ?= $(PREFIX)/lib/systemd/system
UDEVDIR ?= $(PREFIX)/lib/udev/rules.d
PKG_CONFIG ?= pkg-config
VERSION := 0.1.0
comma   := ,
space   := $(subst ,, )

WARN    := -Wall -Wextra -Wpedantic -Wconversion -Wshadow -Wstrict-prototypes -Wvla -Werror
# -ffp-contract=off: the same readings give the same events on every machine
OPT     ?= -O2 -ffp-contract=off
CFLAGS  ?= -g
CPPFLAGS += -D_GNU_SOURCE -DFORETRIP_VERSION='"$(VERSION)"' -I. -Igateway -I$(B)/gen
PACKAGES := libmodbus libmosquitto sqlite3 libconfig jansson yajl libzstd libmicrohttpd libsodium libcurl libprotobuf-c openssl libpq librabbitmq gnutls
ifneq ($(shell command -v $(PKG_CONFIG)),)
CPPFLAGS += $(shell $(PKG_CONFIG) --cflags $(PACKAGES) 2>/dev/null)
# libcurl is loaded when it is needed (gateway/notify/curl_late.h)
LIBS     := $(shell $(PKG_CONFIG) --libs $(filter-out libcurl,$(PACKAGES)) 2>/dev/null) -lm -pthread
endif
ifneq ($(SAN),)
# with clang the code also counts its branches, which is what libFuzzer steers by
SAN_ALL := $(SAN)$(if $(findstring clang,$(CC)),$(comma)fuzzer-no-link)
CFLAGS  += -fsanitize=$(SAN_ALL) -fno-omit-frame-pointer
LDFLAGS += -fsanitize=$(SAN_ALL)
endif
# FORTIFY needs optimisation and disturbs the sanitizers
ifeq ($(SAN),)
FORTIFY  ?= -D_FORTIFY_SOURCE=2
CPPFLAGS += $(FORTIFY)
endif
# what the compiler knows of: guard pages cannot be jumped over; jumps and returns land where they may (x86, arm64)
HARDEN  := $(shell for f in -fstack-clash-protection -fcf-protection -mbranch-protection=standard; do \
             $(CC) $$f -Werror -x c -c /dev/null -o /dev/null 2> /dev/null && echo $$f; done)
CFLAGS  += -std=c17 $(OPT) $(WARN) -fstack-protector-strong $(HARDEN) -fPIE -pthread -MMD -MP
# --as-needed: each program depends on what it calls, not on what another one does
LDFLAGS += -pie -Wl,-z,relro,-z,now -Wl,--as-needed -pthread

LIB_DIRS := gateway/base gateway/model gateway/analysis gateway/store gateway/notify gateway/web gateway/fleet \
            config drivers drivers/simulated
MAINS    := drivers/simulated/main.c gateway/fleet/main.c
LIB_SRC  := $(filter-out $(MAINS),$(wildcard $(LIB_DIRS:%=%/*.c)))
LIB_OBJ  := $(LIB_SRC:%.c=$(B)/%.o) $(B)/gen/shipped.o $(B)/gen/pages.o $(B)/gen/fleet_pages.o $(B)/gen/sparkplug.pb-c.o
DAEMON_SRC := $(wildcard gateway/daemon/*.c)
TOOL_SRC   := $(wildcard gateway/tool/*.c)
PROGRAMS := $(B)/foretripd $(B)/foretrip $(B)/foretrip-house $(B)/foretrip-fleet

UNIT_SRC := $(wildcard tests/unit/test_*.c)
UNIT     := $(UNIT_SRC:tests/unit/%.c=$(B)/tests/unit/%)
TEST_HELP_OBJ := $(patsubst %.c,$(B)/%.o,$(filter-out $(UNIT_SRC),$(wildcard tests/unit/*.c)))
FUZZ_SRC := $(wildcard tests/fuzz/fuzz_*.c)
FUZZ     := $(FUZZ_SRC:tests/fuzz/%.c=$(B)/tests/fuzz/%)
PEER_SRC := $(wildcard tests/peer/*.c)
PEER     := $(PEER_SRC:tests/peer/%.c=$(B)/tests/peer/%)
BENCH_SRC := $(filter-out tests/bench/trace_days.c,$(wildcard tests/bench/*.c))
BENCH    := $(BENCH_SRC:tests/bench/%.c=$(B)/tests/bench/%)
SHIPPED  := $(wildcard config/*.cfg config/maps/*.cfg)
C_FILES  := $(wildcard $(LIB_DIRS:%=%/*.[ch]) gateway/daemon/*.[ch] gateway/tool/*.[ch] tests/*/*.[ch])

.DELETE_ON_ERROR:
.SECONDARY:
.PHONY: all programs help run run-fleet check unit fuzz bench docs lint analyze fmt fmt-check coverage install deb clean packages

all: programs

programs: $(PROGRAMS)

help: ## this list
	@grep -hE '^[a-z-]+:.*## ' Makefile | sed 's/:.*## /\t/' | expand -t 14
	@echo
	@echo "SAN=address,undefined or SAN=thread builds under a sanitizer (into build-...); CC=clang works too."

# ---- the library and the programs --------------------------------------------------------------
$(B)/%.o: %.c
	@mkdir -p $(@D)
	$(CC) $(CPPFLAGS) $(CFLAGS) -c -o $@ $<

$(B)/gen/shipped.c: deploy/embed.sh $(SHIPPED)
	@mkdir -p $(@D)
	sh deploy/embed.sh $(SHIPPED) > $@

$(B)/gen/shipped.o: $(B)/gen/shipped.c
	$(CC) $(CPPFLAGS) $(CFLAGS) -c -o $@ $<

# The payload of Sparkplug, by protobuf-c. Its code is not ours: no warnings for it.
$(B)/gen/sparkplug.pb-c.c: gateway/notify/sparkplug.proto
	@mkdir -p $(@D)
	protoc-c --c_out=$(@D) --proto_path=gateway/notify $<

$(B)/gen/sparkplug.pb-c.o: $(B)/gen/sparkplug.pb-c.c
	$(CC) $(CPPFLAGS) $(CFLAGS) -w -c -o $@ $<

$(B)/gateway/notify/sparkplug_payload.o: $(B)/gen/sparkplug.pb-c.c

# The page's files, and the chart library by npm where that is there (pinned in package-lock.json).
PAGES := $(wildcard gateway/web/pages/*) gateway/web/openapi.json
NPM   := $(shell command -v npm)
CHART := $(B)/gen/chart-$(if $(NPM),with,without).stamp

$(CHART): gateway/web/package.json gateway/web/package-lock.json deploy/fetch-chart.sh
	@mkdir -p $(@D)
	@sh deploy/fetch-chart.sh $(B)/gen
	@touch $@

$(B)/gen/pages.c: deploy/embed-pages.sh $(PAGES) $(CHART)
	sh deploy/embed-pages.sh assets $(PAGES) $(B)/gen/uplot.js $(B)/gen/uplot.css > $@

# The centre's page: files of its own, and what it has in common with the gateway's.
FLEET_PAGES := $(wildcard gateway/fleet/pages/*) $(addprefix gateway/web/pages/,dom.js frame.js live.js login.js mark.svg page.css people.js phrases.js say.js trip.js words.js)

$(B)/gen/fleet_pages.c: deploy/embed-pages.sh $(FLEET_PAGES)
	@mkdir -p $(@D)
	sh deploy/embed-pages.sh fleet_assets $(FLEET_PAGES) > $@

$(B)/gen/%pages.o: $(B)/gen/%pages.c
	$(CC) $(CPPFLAGS) $(CFLAGS) -O0 -c -o $@ $<

$(B)/libforetrip.a: $(LIB_OBJ)
	@rm -f $@
	$(AR) qcs $@ $^ # q: two folders may have a file of the same name

$(B)/foretripd: $(DAEMON_SRC:%.c=$(B)/%.o) $(B)/libforetrip.a
	$(CC) $(LDFLAGS) -o $@ $^ $(LIBS)

$(B)/foretrip: $(TOOL_SRC:%.c=$(B)/%.o) $(B)/libforetrip.a
	$(CC) $(LDFLAGS) -o $@ $^ $(LIBS)

$(B)/foretrip-house: $(B)/drivers/simulated/main.o $(B)/libforetrip.a
	$(CC) $(LDFLAGS) -o $@ $^ $(LIBS)

$(B)/foretrip-fleet: $(B)/gateway/fleet/main.o $(B)/libforetrip.a
	$(CC) $(LDFLAGS) -o $@ $^ $(LIBS)

# ---- tests -------------------------------------------------------------------------------------
# what tests/unit/held_time.c stands in for when a test holds the clock in its hand
HELD := clock_mono_us clock_mono_ms clock_wall_ms clock_sleep_until_us wait_for wait_until connect_tcp connect_serial \
        modbus_receive_confirmation
$(B)/tests/unit/test_%: $(B)/tests/unit/test_%.o $(TEST_HELP_OBJ) $(B)/libforetrip.a
	$(CC) $(LDFLAGS) $(HELD:%=-Wl,--wrap=%) -o $@ $^ $(LIBS) -lcmocka

# A fuzz target is one file with LLVMFuzzerTestOneInput. With clang it is a libFuzzer program;
# with gcc, tests/fuzz/run_corpus.c feeds it the seeds and seeded mutations of them.
FUZZ_WITH_CLANG := $(findstring clang,$(CC))
$(B)/tests/fuzz/fuzz_%: $(B)/tests/fuzz/fuzz_%.o $(if $(FUZZ_WITH_CLANG),,$(B)/tests/fuzz/run_corpus.o) $(B)/libforetrip.a
	$(CC) $(LDFLAGS) $(FUZZ_LINK) $(if $(FUZZ_WITH_CLANG),-fsanitize=fuzzer) -o $@ $^ $(LIBS)

# not LDFLAGS, which may come from the command line
$(B)/tests/fuzz/fuzz_state: FUZZ_LINK := -Wl,--wrap=heat_felt_cold_seconds
$(B)/tests/fuzz/fuzz_site_config: FUZZ_LINK := -Wl,--wrap=shipped_find

$(B)/tests/peer/%: $(B)/tests/peer/%.o $(B)/libforetrip.a
	$(CC) $(LDFLAGS) -o $@ $^ $(LIBS)

# a machine that fails on request, preloaded under the daemon; a sanitizer has its own allocator
$(B)/tests/faults/trouble.so: tests/faults/trouble.c
	@mkdir -p $(@D)
	$(CC) -std=c17 -D_GNU_SOURCE -O2 -g $(WARN) -fPIC -shared $(if $(SAN),-DTROUBLE_WITHOUT_MEMORY) -o $@ $<

$(B)/tests/bench/%: $(B)/tests/bench/%.o $(B)/tests/bench/trace_days.o $(B)/libforetrip.a
	$(CC) $(LDFLAGS) -o $@ $^ $(LIBS)

packages: ## install what is missing (deploy/packages.txt), saying what
	@sh deploy/install-packages.sh

run: packages ## build, start a simulated house with its gateway, and show what happens; Ctrl-C ends all of it
	@$(MAKE) --no-print-directory programs
	@sh deploy/run-demo.sh $(B)

run-fleet: packages ## build, play a centre of 50 simulated sites, and show who needs somebody; Ctrl-C ends all of it
	@$(MAKE) --no-print-directory programs
	@sh deploy/run-fleet.sh $(B)

check: packages ## install what is missing, build, pass every test
	@$(MAKE) --no-print-directory all unit-programs peer-programs fuzz-programs
	@sh tests/run.sh $(B)

.PHONY: unit-programs peer-programs fuzz-programs bench-programs
unit-programs: $(UNIT)
peer-programs: $(PEER) $(B)/tests/faults/trouble.so
fuzz-programs: $(FUZZ)
bench-programs: $(BENCH)

unit: programs $(UNIT) ## the unit tests alone
	@sh tests/run.sh $(B) unit

fuzz: $(FUZZ) ## a longer run of every fuzz target (FUZZ_SECONDS=60 each; or FUZZ_RUNS=1000000)
	@sh tests/fuzz/run.sh $(B) $${FUZZ_SECONDS:-60}

fuzz-coverage: ## what of the parsers the fuzz targets reach, into docs/security.md (clang)
	@$(MAKE) --no-print-directory CC=clang B=build-fuzz-coverage SAN=fuzzer-no-link OPT="-O1 -fprofile-instr-generate -fcoverage-mapping" LDFLAGS="-fprofile-instr-generate -pthread" fuzz-programs
	@sh tests/fuzz/coverage.sh build-fuzz-coverage docs/security.md

.PHONY: sanitize
sanitize: packages ## every test under the address and undefined-behaviour sanitizers, the unit tests under the thread sanitizer; an hour
	@$(MAKE) --no-print-directory SAN=address,undefined B=build-sanitize-address all unit-programs peer-programs
	@sh tests/sanitize.sh build-sanitize-address unit scenario peer browser
	@$(MAKE) --no-print-directory SAN=thread B=build-sanitize-thread unit-programs
	@sh tests/sanitize.sh build-sanitize-thread unit

.PHONY: fuzz-coverage soak soak-days soak-hour
soak: soak-days soak-hour ## 30 days of simulated time, then an hour of real time: memory, descriptors, polls, the record

$(B)/tests/soak/%: $(B)/tests/soak/%.o $(B)/libforetrip.a
	$(CC) $(LDFLAGS) -o $@ $^ $(LIBS)

soak-days: programs $(B)/tests/soak/soak_days
	/usr/bin/python3 tests/soak/soak.py $(B) days

soak-hour: programs
	/usr/bin/python3 tests/soak/soak.py $(B) hour

bench: packages ## the measured figures, as ratios in one run
	@$(MAKE) --no-print-directory programs bench-programs
	@sh tests/bench/run.sh $(B)

docs: programs unit-programs peer-programs ## the pictures and tables in docs that are made: from published figures, by a test
	$(B)/tests/unit/test_manners --write docs/method/manners.md
	/usr/bin/python3 tests/faults/faults.py $(B) --write
	python3 docs/method/breaker_band.py > $(B)/breaker_band.svg
	cp $(B)/breaker_band.svg docs/method/breaker_band.svg

lint: $(B)/gen/sparkplug.pb-c.c ## clang-tidy and cppcheck
	@sh deploy/lint.sh $(CPPFLAGS)

analyze: $(B)/gen/sparkplug.pb-c.c ## the slow ones: gcc's and clang's analyzers over every path, apart from the build
	@sh deploy/analyze.sh $(CPPFLAGS)

fmt: ## clang-format on all C
	clang-format -i $(C_FILES)

fmt-check:
	clang-format --dry-run -Werror $(C_FILES)

coverage: ## line coverage of the unit, scenario and peer tests, into build-coverage/
	@$(MAKE) --no-print-directory B=build-coverage OPT="-O0 -fprofile-update=atomic --coverage -Wno-format-truncation -Wno-restrict" LDFLAGS="--coverage -pthread" FORTIFY= all unit-programs fuzz-programs peer-programs
	@sh tests/run.sh build-coverage unit scenario peer
	@sh tests/coverage.sh build-coverage

.PHONY: mutants
mutants: programs unit-programs ## whether the tests notice faults put into the analysis, one at a time (MUTANTS=, SEED=, FILES=, TESTS=)
	@CC="$(CC)" CPPFLAGS='$(CPPFLAGS)' CFLAGS='$(CFLAGS)' LDFLAGS='$(LDFLAGS)' LIBS='$(LIBS)' HELPERS='$(TEST_HELP_OBJ)' HELD='$(HELD)' TOOL='$(TOOL_SRC:%.c=$(B)/%.o)' \
		/usr/bin/python3 tests/mutants/mutants.py $(B) $(FILES)

# ---- where it goes ------------------------------------------------------------------------------
SHARE := $(DESTDIR)$(PREFIX)/share
DOC   := $(SHARE)/doc/foretrip

install: programs ## into $(DESTDIR)$(PREFIX): programs, service, manual pages, completion, examples, documentation
	install -d $(DESTDIR)$(PREFIX)/sbin $(DESTDIR)$(PREFIX)/bin $(SHARE)/foretrip/maps
	install -m 755 $(B)/foretripd $(DESTDIR)$(PREFIX)/sbin/
	install -m 755 $(B)/foretrip $(B)/foretrip-house $(B)/foretrip-fleet $(DESTDIR)$(PREFIX)/bin/
	install -m 644 $(wildcard config/*.cfg) $(SHARE)/foretrip/
	install -m 644 $(wildcard config/maps/*.cfg) $(SHARE)/foretrip/maps/
	install -d $(SHARE)/foretrip/broker
	install -m 755 deploy/broker/*.sh $(SHARE)/foretrip/broker/
	install -d $(SHARE)/man/man1 $(SHARE)/man/man8
	install -m 644 docs/man/*.1 $(SHARE)/man/man1/
	install -m 644 docs/man/*.8 $(SHARE)/man/man8/
	install -d $(SHARE)/bash-completion/completions
	for name in foretrip foretripd foretrip-house foretrip-fleet; do \
		install -m 644 deploy/foretrip.bash-completion $(SHARE)/bash-completion/completions/$$name; done
	install -d $(DOC)/method $(DOC)/examples/example $(DOC)/examples/demo
	install -m 644 docs/*.md $(DOC)/
	install -m 644 docs/method/*.md docs/method/*.svg $(DOC)/method/
	install -m 644 config/example/*.cfg $(DOC)/examples/example/
	install -m 644 config/demo/*.cfg $(DOC)/examples/demo/
	install -d $(DOC)/examples/centre
	install -m 644 config/centre/*.cfg $(DOC)/examples/centre/
	install -d $(DESTDIR)$(UNITDIR) $(DESTDIR)$(UDEVDIR)
	for unit in foretripd foretrip-fleet foretrip-fleet-page foretrip-renew; do \
		sed 's|@PREFIX@|$(PREFIX)|g' deploy/$$unit.service.in > $(B)/$$unit.service && \
		install -m 644 $(B)/$$unit.service $(DESTDIR)$(UNITDIR)/ || exit 1; done
	install -m 644 deploy/foretrip-renew.timer $(DESTDIR)$(UNITDIR)/
	install -m 644 deploy/61-foretrip-serial.rules $(DESTDIR)$(UDEVDIR)/
	install -d $(DESTDIR)$(PREFIX)/lib/sysusers.d $(DESTDIR)$(PREFIX)/lib/tmpfiles.d
	for name in foretrip foretrip-fleet; do \
		install -m 644 deploy/$$name.sysusers $(DESTDIR)$(PREFIX)/lib/sysusers.d/$$name.conf && \
		install -m 644 deploy/$$name.tmpfiles $(DESTDIR)$(PREFIX)/lib/tmpfiles.d/$$name.conf || exit 1; done

DEB ?= $(B)/deb
deb: $(CHART) ## the Debian package, into $(DEB); DEB_ARGS=-aarm64 for the small boxes
	@sh deploy/make-deb.sh $(B) $(DEB) $(DEB_ARGS)

clean: ## remove what was built
	rm -rf build build-*

-include $(LIB_OBJ:.o=.d) $(TEST_HELP_OBJ:.o=.d) $(B)/tests/bench/trace_days.d $(DAEMON_SRC:%.c=$(B)/%.d) $(TOOL_SRC:%.c=$(B)/%.d) $(MAINS:%.c=$(B)/%.d) \
         $(UNIT_SRC:%.c=$(B)/%.d) $(PEER_SRC:%.c=$(B)/%.d) $(FUZZ_SRC:%.c=$(B)/%.d) $(BENCH_SRC:%.c=$(B)/%.d)
