# Barward: every command a contributor needs. `make help` lists them. Go is the only requirement; the tools are built
# from the versions pinned in proto/tools and .tools, through the module proxy, and stay in Go's own build cache.

MAKEFLAGS += --no-print-directory
.DEFAULT_GOAL := help

BUF      := go tool -modfile=tools/buf.tool.mod buf
FUZZTIME ?= 10s
COUNT    ?= 1
BENCH    ?= .

.PHONY: help demo run build test lint proto proto-image fuzz bench vuln cover deadcode

help: ## list these targets
	@echo 'Barward. Targets:'
	@awk -F ':.*## ' '/^[a-z-]+:.*## / { printf "  make %-12s %s\n", $$1, $$2 }' Makefile

# The demonstration needs no C compiler, so none is looked for.
demo: ## play the invented scenario through a real server and client, and print its story
	CGO_ENABLED=0 go run ./testdata/demo/play

run: ## the same, and keep the server running with the demonstration's data
	CGO_ENABLED=0 go build -o out/play ./testdata/demo/play && exec out/play -keep -out out/run

build: ## build bin/barward and bin/barward-server
	CGO_ENABLED=0 go build -trimpath -o bin/barward ./client
	CGO_ENABLED=0 go build -trimpath -o bin/barward-server ./server

test: ## every check: lint, generated code current, import rules, tests under the race detector
	@.tools/check format vet staticcheck modules protolint breaking generated tests

lint: ## the quick half of `make test`: format, vet, staticcheck, module files, protos
	@.tools/check format vet staticcheck modules protolint breaking

# Old files go first, so that a renamed proto leaves nothing behind; but only once the new ones are known to compile.
proto: ## write the Go beside the protos
	cd proto && $(BUF) build -o /dev/null && find . -name '*.pb.go' -exec rm {} + && $(BUF) generate

proto-image: ## remember the protos as released; `make test` then refuses an incompatible change
	cd proto && $(BUF) build --exclude-source-info -o image.binpb

fuzz: ## run each fuzz target for FUZZTIME (10s)
	@.tools/fuzz $(FUZZTIME)

bench: ## run the benchmarks named by BENCH (all) COUNT times (1), for benchstat, and say which of the promised ratios hold
	@{ go test -run '^$$' -bench '$(BENCH)' -benchmem -count $(COUNT) ./...; \
	  cd internal/bench && go test -run '^$$' -bench '$(BENCH)' -benchmem -benchtime 3x -count $(COUNT) .; } | \
	  go run -C internal/bench ./table

vuln: ## look for known vulnerabilities in what the programs call, with a database that is read from the disk
	@.tools/vuln

cover: ## test coverage of each package, lowest first
	@.tools/cover

deadcode: ## list functions that neither a program nor a test reaches
	go tool -modfile=.tools/lint.mod deadcode -test ./...
