# Two commands for users: make run, make test. Each installs what it needs.
PYTHON ?= python3
BIN := .venv/bin
SPEED ?= 1

.PHONY: run test check bench report summers evaluation screens pictures lock clean

run: .venv/run.done
	@$(BIN)/loosebox run --dir .run --speed $(SPEED)

test: .venv/test.done
	@sh .ci/machine
	@sh .ci/tests

check: .venv/test.done
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports
	$(BIN)/pytest tests/style

bench: .venv/test.done
	PYTHONPATH=. $(BIN)/python tests/bench/bench.py

# Pages made from the code: hours per level over typical years (gateway/control/LEVELS.md) and the rules of control.
report: .venv/test.done
	PYTHONPATH=. $(BIN)/python tests/report/levels_report.py
	PYTHONPATH=. $(BIN)/python tests/report/control_rules.py
	PYTHONPATH=. $(BIN)/python tests/report/alarms_page.py

# How often alarms ring over typical summers, and that no bad hour goes without (gateway/alarms/SUMMERS.md).
summers: .venv/test.done
	PYTHONPATH=. $(BIN)/python tests/report/alarms_summer.py

# Our control beside plainer ones and beside perfect foresight, over two summers: half an hour on two cores.
evaluation: .venv/test.done
	PYTHONPATH=. $(BIN)/python tests/report/evaluation_report.py --out gateway/control/evaluation

.venv/run.done: pyproject.toml constraints.txt
	@PYTHON=$(PYTHON) sh .ci/venv run

.venv/test.done: pyproject.toml constraints.txt
	@PYTHON=$(PYTHON) sh .ci/venv test

# Every page in every state, language and face, as pictures and one contact sheet in screens/.
screens: .venv/test.done
	PYTHONPATH=. $(BIN)/python tests/dashboards/contact_sheet.py screens

# The pictures in the documents: README's wall, taken from the emulated barn, and all pages at a glance.
pictures: .venv/test.done
	PYTHONPATH=. $(BIN)/python tests/e2e/wall_picture.py dashboards/wall.png
	PYTHONPATH=. $(BIN)/python tests/dashboards/contact_sheet.py screens --light dashboards/screens.webp

# After a change of dependencies: resolve anew and write the exact versions down.
lock:
	@PYTHON=$(PYTHON) sh .ci/lock

clean:
	rm -rf .venv .run .mypy_cache .ruff_cache .pytest_cache .hypothesis
