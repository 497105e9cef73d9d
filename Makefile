# Two commands for users: make run, make test. Each installs what it needs.
PYTHON ?= python3
BIN := .venv/bin
SPEED ?= 1

.PHONY: run test check bench report lock clean

run: .venv/run.done
	@$(BIN)/loosebox run --dir .run --speed $(SPEED)

test: .venv/test.done
	@sh .ci/machine
	$(BIN)/pytest

check: .venv/test.done
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports
	$(BIN)/pytest tests/style

bench: .venv/test.done
	PYTHONPATH=. $(BIN)/python tests/bench/bench.py

# How often each level would have been shown over typical years: gateway/control/LEVELS.md.
report: .venv/test.done
	PYTHONPATH=. $(BIN)/python tests/report/levels_report.py

.venv/run.done: pyproject.toml constraints.txt
	@PYTHON=$(PYTHON) sh .ci/venv run

.venv/test.done: pyproject.toml constraints.txt
	@PYTHON=$(PYTHON) sh .ci/venv test

# After a change of dependencies: resolve anew and write the exact versions down.
lock:
	@PYTHON=$(PYTHON) sh .ci/lock

clean:
	rm -rf .venv .run .mypy_cache .ruff_cache .pytest_cache .hypothesis
