# Every command here does its own set-up and may be run again at once.
CARGO ?= cargo
PROGRAM = target/release/twinmound

.PHONY: all setup build demo test test-all lint bench keypoints-bench accuracy clean

all: build

# Debian packages, two wheels (ONNX Runtime, body data), the packed bodies.
setup:
	@.ci/setup

build: setup
	$(CARGO) build --release --locked

# Films a delivery with two phones, calibrates, measures, and compares with the truth.
demo: build
	$(PROGRAM) demo -o demo

# Everything that must hold, in minutes.
test: setup
	$(CARGO) test --release --locked

# The same and the long ones.
test-all: setup
	$(CARGO) test --release --locked --features long-tests

lint: setup
	$(CARGO) fmt --check
	$(CARGO) clippy --release --locked --all-targets -- -D warnings

# Each stage's time against the time it has.
bench: setup
	$(CARGO) bench --locked --bench stages

# Keypoint networks on labelled real people and on films of the studio: some minutes. MANIFESTS="..." for others.
keypoints-bench: setup
	$(CARGO) bench --locked --bench keypoints -- $(or $(MANIFESTS),--write models/athlete-errors.toml)

# Many rendered deliveries against their truth (minutes each); writes docs/accuracy.md. Goes on where it was broken off.
DELIVERIES ?= 40
BUDGET ?= 8
accuracy: setup
	$(CARGO) bench --locked --bench accuracy -- --out accuracy --deliveries $(DELIVERIES) --budget $(BUDGET) --page docs/accuracy.md

clean:
	rm -rf target demo
