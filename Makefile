# For GNU make 3.81 or newer and any POSIX shell. `make help` lists what there is to ask for.

.DEFAULT_GOAL := build
.NOTPARALLEL:
.PHONY: build man demo test torture bench calibrate closed-loop fuzz browser deps clean help

FUZZTIME ?= 20s
BENCHTIME ?= 200ms
BATHS ?= 200
LOOPBATHS ?= 100
KILLS ?= 200

# Go, npm and Chromium keep their caches under HOME unless told otherwise, and stop where there is none.
ifneq ($(shell mkdir -p "$$HOME" 2>/dev/null && test -w "$$HOME" && echo yes),yes)
export HOME := $(CURDIR)/bin/.home
endif

# Stamping from version control fails in a checkout that belongs to somebody else. Nothing here may rewrite go.mod, whatever
# the environment says, and a go.work in a folder above is not about this module.
export GOFLAGS := $(strip $(shell go env GOFLAGS 2>/dev/null) -buildvcs=false -mod=readonly)
export GOWORK := off

# Asked of this repository only: an unpacked archive may lie inside another one.
version = $(shell test -e .git && git describe --tags --always --dirty 2>/dev/null)
stamp = $(if $(version),-ldflags "-X main.version=$(version)")

chart := reports/echarts/asset/echarts.js
axe := reports/echarts/node_modules/axe-core/axe.min.js

build: $(chart) ## the tool, bin/steadybath, with the chart script inside
	@sh -c "$$needs" make go
	go build -trimpath $(stamp) -o bin/steadybath ./cmd/steadybath

man: build ## the manual page, bin/steadybath.1
	bin/steadybath man >bin/.steadybath.1
	@mv bin/.steadybath.1 bin/steadybath.1

demo: deps build ## a tour with an invented half-year, in a database of its own
	@sh -c "$$tour"

test: deps $(chart) $(axe) ## gofmt, go vet, staticcheck and every test, the page in a headless Chromium among them
	@sh -c "$$needs" make chromium
	@sh -c "$$checks"

torture: deps ## KILLS=200 kills of the tool and of PostgreSQL's processes, full disks, lost power, cut connections, a standby that takes over; takes a quarter of an hour, and prints counts
	STEADYBATH_TORTURE=1 go test -count=1 -p 1 -timeout 60m -v -run '^Test(Torture|CutConnection|EightWriters|Failover|TypedAgain|ClockSetBack|Patience)' ./cmd/steadybath -torture $(KILLS)

bench: deps $(chart) ## every benchmark but those of the next two, BENCHTIME=200ms each
	@sh -c "$$needs" make chromium
	go test -tags browser -p 1 -timeout 60m -run '^$$' -bench . -skip '^Benchmark(Calibrate|ClosedLoop)$$' -benchtime $(BENCHTIME) -benchmem ./...

calibrate: ## the estimate and the forecast against simulated baths whose truth is known, BATHS=200 a group; takes minutes
	@sh -c "$$needs" make go
	go test -count=1 -timeout 60m -run '^$$' -bench '^BenchmarkCalibrate$$' -benchtime 1x ./chem/estimate -baths $(BATHS)
	go test -count=1 -timeout 60m -v -run '^TestForecastIsCalibrated$$' ./chem/forecast -baths $(BATHS)

closed-loop: ## baths kept for a simulated year by steadybath and by cards on the wall, LOOPBATHS=100 a group; takes about 25 minutes
	@sh -c "$$needs" make go
	go test -count=1 -timeout 180m -run '^$$' -bench '^BenchmarkClosedLoop$$' -benchtime 1x ./chem/dose -baths $(LOOPBATHS)

fuzz: ## every fuzz target, FUZZTIME=20s each
	@sh -c "$$needs" make go
	@grep -roE '^func Fuzz[A-Za-z0-9_]+' --include='*_test.go' chem cmd db migrations reports | \
	sed -E 's|^(.*)/[^/]*:func (.*)$$|\1 \2|' | while read -r folder target; do \
		echo "go test -run '^\$$' -fuzz '^$$target\$$' -fuzztime $(FUZZTIME) -fuzzminimizetime 10x ./$$folder"; \
		go test -run '^$$' -fuzz "^$$target\$$" -fuzztime $(FUZZTIME) -fuzzminimizetime 10x "./$$folder" </dev/null || exit 1; \
	done

browser: deps $(chart) $(axe) ## of the tests, those in a headless Chromium
	@sh -c "$$needs" make chromium
	go test -count=1 -timeout 10m -tags browser -run Browser ./reports ./cmd/steadybath

deps: ## what is missing, from the machine's own packages where that is allowed
	@sh -c "$$needs" make go postgres $(if $(wildcard $(chart)),,npm)

clean: ## everything that was built or made here, the demo's database included
	@test ! -e demo || test -x bin/steadybath || go build -o bin/steadybath ./cmd/steadybath
	@sh -c "$$forget"
	@test ! -e bin/.home || chmod -R u+w bin/.home
	rm -rf bin demo reports/echarts/node_modules $(chart)

help: ## this list
	@sed -n 's/^\([a-z-]*\):.*## /\1|/p' Makefile | while IFS='|' read -r target what; do printf 'make %-11s %s\n' "$$target" "$$what"; done

# The script is renamed into place last, so that half a file is never embedded. Where it cannot be had the tool is built without
# it, and the page has still pictures and tables.
$(chart): reports/echarts/package.json reports/echarts/package-lock.json
	@sh -c "$$needs" make npm; sh -c "$$script"

# For the tests alone, by the same npm ci; a script that is there from before may have come without it.
$(axe): | $(chart)
	@test -e $@ || { sh -c "$$needs" make npm; sh -c "$$script"; }

# ---------------------------------------------------------------------------------------------------------------------------
# Shell scripts, handed to sh through the environment as they stand: no make variables in them.

# needs WHO WHAT...: sees to it that each thing is there. A missing chart script is a pity; the rest ends the run.
define needs
set -u
who=$0
have() { command -v "$1" >/dev/null 2>&1; }
as_root() { if [ "$(id -u)" = 0 ]; then "$@"; else sudo -n "$@"; fi; }
may_install() { [ "$(id -u)" = 0 ] || { have sudo && sudo -n true 2>/dev/null; }; }

apt() {
	as_root env DEBIAN_FRONTEND=noninteractive apt-get -o DPkg::Lock::Timeout=300 -qq -y --no-install-recommends install "$@" </dev/null
}
from_apt() {
	echo "$who: installing $* (apt-get)" >&2
	apt "$@" >/dev/null 2>&1 && return
	as_root apt-get -qq update </dev/null >&2
	said=$(apt "$@" 2>&1) || { echo "$said" >&2; return 1; }
}
from_dnf() {
	echo "$who: installing $* (dnf)" >&2
	as_root dnf -q -y install "$@" </dev/null >&2
}
from_brew() {
	echo "$who: installing $* (brew)" >&2
	brew install -q "$@" </dev/null >&2
}
# packages APT DNF BREW: the package's name in each system.
packages() {
	if have apt-get && may_install; then from_apt "$1"
	elif have dnf && may_install; then from_dnf "$2"
	elif have brew && [ "$(id -u)" != 0 ]; then from_brew "$3"
	else return 1; fi
}

# The oldest version and the folders are those of db/cluster/programs.go.
postgres_found() {
	IFS=:
	for folder in ${STEADYBATH_PGBIN:-} $PATH /usr/lib/postgresql/*/bin /usr/pgsql-*/bin /usr/lib/postgresql*/bin \
		/usr/libexec/postgresql* /opt/homebrew/opt/postgresql*/bin /usr/local/opt/postgresql*/bin \
		/home/linuxbrew/.linuxbrew/opt/postgresql*/bin /usr/local/pgsql/bin; do
		[ -x "$folder/postgres" ] && [ -x "$folder/initdb" ] || continue
		major=$("$folder/postgres" --version 2>/dev/null | sed -n 's/.*(PostgreSQL) \([0-9]*\).*/\1/p')
		if [ "${major:-0}" -ge 14 ]; then unset IFS; return 0; fi
	done
	unset IFS
	return 1
}
# Debian's package starts a server for the whole machine unless told not to; the line is taken away again afterwards.
postgres_install() {
	line=/etc/postgresql-common/createcluster.d/steadybath.conf
	ours=
	if have apt-get && may_install && [ ! -e "$line" ]; then
		ours=yes
		as_root mkdir -p "${line%/*}" && echo 'create_main_cluster = false' | as_root tee "$line" >/dev/null || return 1
	fi
	packages postgresql postgresql-server postgresql@17
	[ -z "$ours" ] || as_root rm -f "$line"
}

for thing in "$@"; do
	case $thing in
	go)
		have go || { cat >&2 <<-END
			$who: steadybath is written in Go, and there is no go in PATH. Install the version that go.mod names or a newer one,
			from the system's packages or as the Go project's own site describes, and see that its folder is in PATH.
		END
		exit 1; } ;;
	postgres)
		postgres_found || { postgres_install; postgres_found; } || { cat >&2 <<-END
			$who: steadybath keeps its records with PostgreSQL, and its server programs (postgres and initdb, version 14 or newer)
			are not on this machine and could not be installed from here. Please install them; no server needs to run. Debian and
			Ubuntu, as root: put the line create_main_cluster = false into
			/etc/postgresql-common/createcluster.d/steadybath.conf, so that no server is started for the whole machine, then
			apt-get install postgresql. Fedora and its kin, as root: dnf install postgresql-server. macOS: brew install
			postgresql@17. If they lie elsewhere, name their folder in STEADYBATH_PGBIN.
		END
		exit 1; } ;;
	npm)
		have npm || { packages npm npm node; have npm; } || cat >&2 <<-END
			$who: the chart page carries its script inside itself, npm fetches that script when the tool is built, and npm is not
			on this machine and could not be installed from here. Please install it (Debian and Ubuntu: apt-get install npm;
			Fedora and its kin: dnf install npm; macOS: brew install node) and run make again. Until then the tool is built
			without the script: the page has still pictures and tables, and the test that looks for the script fails.
		END
		;;
	chromium)
		have chromium || have chromium-browser || have google-chrome || packages chromium chromium chromium || { cat >&2 <<-END
			$who: the page is tried in Chromium, which is not on this machine and could not be installed from here. Please install
			it (Debian: apt-get install chromium; Fedora: dnf install chromium).
		END
		exit 1; } ;;
	esac
done
endef
export needs := $(value needs)

define script
set -eu
command -v npm >/dev/null 2>&1 || exit 0
cd reports/echarts
# npm finds nothing in a cache that it may not write to; a copy of the index beside a link to the contents will do.
cache=$(npm config get cache)
if [ -d "$cache/_cacache" ] && [ ! -w "$cache/_cacache" ]; then
	mine=$(cd ../.. && pwd)/bin/.npm
	rm -rf "$mine" && mkdir -p "$mine/_cacache"
	cp -R "$cache/_cacache/index-v5" "$mine/_cacache/" && chmod -R u+w "$mine"
	ln -s "$cache/_cacache/content-v2" "$mine/_cacache/content-v2"
	export npm_config_cache="$mine"
	npm ci --include=dev --offline --loglevel=silent </dev/null >/dev/null 2>&1 || rm -f "$mine/_cacache/content-v2"
fi
echo '(cd reports/echarts && npm ci --include=dev --prefer-offline)'
if ! npm ci --include=dev --prefer-offline --loglevel=error --fetch-retries=1 --fetch-retry-mintimeout=1000 </dev/null; then
	cat >&2 <<-END
		make: npm could not fetch the chart script; why stands above. The tool is built without it: the page has still pictures
		and tables, and the test that looks for the script fails. Run make again where npm reaches its registry or has the
		packages in its cache (npm_config_cache names another).
	END
	exit 0
fi
cp node_modules/echarts/LICENSE asset/LICENSE-echarts
cp node_modules/zrender/LICENSE asset/LICENSE-zrender
cp node_modules/tslib/LICENSE.txt asset/LICENSE-tslib
cp node_modules/echarts/dist/echarts.common.min.js asset/.echarts.js.new
mv asset/.echarts.js.new asset/echarts.js
endef
export script := $(value script)

# forget: stops the demo's server and removes its database, which lies outside demo/ where root's server cannot enter it.
define forget
set -eu
[ -x bin/steadybath ] || exit 0
unset STEADYBATH_DATABASE
export STEADYBATH_HOME=demo/records
[ ! -e demo/records ] || bin/steadybath server stop >/dev/null
status=$(bin/steadybath server status 2>/dev/null) || status=
folder=$(printf '%s\n' "$status" | sed -n 's/^folder  *//p')
socket=$(printf '%s\n' "$status" | sed -n 's/^socket  *//p')
case $folder in
/var/lib/steadybath/*/data) rm -rf "${folder%/data}" ;;
esac
[ -z "$socket" ] || rmdir "$socket" 2>/dev/null || true
rm -rf demo/records demo/half-year.csv
endef
export forget := $(value forget)

define tour
set -eu
other=${STEADYBATH_DATABASE+yes}
unset STEADYBATH_DATABASE
settings='STEADYBATH_HOME=demo/records STEADYBATH_CLOCK=2026-11-22T09:00:00Z'
export $settings
type_in() { printf '\n$ %s\n' "$*"; "$@"; }

# A database made from another version of the journal, or by a clone that was here before, would take it for a second bath.
cmp -s testdata/demo/half-year.csv demo/half-year.csv || sh -c "$forget"
mkdir -p demo

cat <<END

An invented half-year of a 48 L acid copper bath, as its keeper sees it on the morning of 22 November 2026. Its database lies in
the demo's own folder; your records are not touched.

$ export $settings
END
trap 'status=$?; [ -z "${open-}" ] || bin/steadybath server stop >/dev/null; exit $status' EXIT
trap 'exit 130' INT
trap 'exit 143' TERM
open=yes
type_in bin/steadybath import testdata/demo/half-year.csv
cp testdata/demo/half-year.csv demo/half-year.csv
type_in bin/steadybath state
type_in bin/steadybath dose
type_in bin/steadybath plan 5.5dm2 1.5A/dm2 200um
type_in bin/steadybath anodes
type_in bin/steadybath forecast
type_in bin/steadybath history --last 12
type_in bin/steadybath chart --output demo/demo-copper.html
type_in bin/steadybath server stop
open=

here=$(pwd | sed "s/'/'\\\\''/g")
cat <<END

The chart page is
    $(pwd)/demo/demo-copper.html
Open it in a browser; it needs no network. To look further, type

    cd '$here'${other:+
    unset STEADYBATH_DATABASE}
    export $settings
    bin/steadybath
    bin/steadybath titrate --help
    bin/steadybath server stop

The first command starts the demo's database again, the last one stops it. make clean removes the demo.
END
endef
export tour := $(value tour)

# Every check runs even when an earlier one finds something; go test has the last word.
define checks
set -u
failed=
check() { name=$1; shift; echo "$*"; "$@" || failed="$failed $name,"; }
formatted() {
	echo "gofmt -l chem cmd db migrations reports testdata"
	list=$("$(go env GOROOT)/bin/gofmt" -l chem cmd db migrations reports testdata) && [ -z "$list" ] && return
	echo "$list"
	failed="$failed gofmt,"
}
formatted
check 'go vet' go vet -tags browser ./...
check staticcheck go tool staticcheck -tags browser ./...
check 'go test' go test -count=1 -p 2 -timeout 20m -tags browser ./...
[ -z "$failed" ] || { echo "failed:${failed%,}" >&2; exit 1; }
endef
export checks := $(value checks)
