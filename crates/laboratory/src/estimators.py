"""Public general-purpose estimators, run on the laboratory's cases.

Reads a folder of raw 32-bit floats named in cases.jsonl (file, rate, seconds); prints a
JSON line per estimate (method, file, hz, cpu_s) and one per method that is missing.
"""

import json
import pathlib
import statistics
import sys
import time


def say(**line):
    print(json.dumps(line), flush=True)


folder = pathlib.Path(sys.argv[1])
try:
    import numpy
except ImportError:
    say(missing="numpy, which all need")
    sys.exit(0)

LOWEST, HIGHEST = 7.0, 20000.0


def aubio_pitch(aubio, method, size):
    def estimate(samples, rate):
        hop = 512
        detector = aubio.pitch(method, size, hop, rate)
        detector.set_unit("Hz")
        found = []
        for begin in range(0, len(samples) - hop + 1, hop):
            value = float(detector(samples[begin : begin + hop])[0])
            # Before the buffer is full it holds silence.
            if value > 0 and begin + hop >= min(size, len(samples) // 2):
                found.append(value)
        return statistics.median(found) if found else None

    return estimate


def librosa_yin(librosa):
    def estimate(samples, rate):
        length = 1 << (len(samples) // 2).bit_length()
        lowest = max(LOWEST, 2.2 * rate / length)
        found = librosa.yin(
            samples, fmin=lowest, fmax=min(HIGHEST, 0.45 * rate), sr=rate, frame_length=length, center=False
        )
        return float(numpy.median(found)) if len(found) else None

    return estimate


def librosa_pyin(librosa):
    def estimate(samples, rate):
        length = 1 << (len(samples) // 2).bit_length()
        lowest = max(LOWEST, 2.2 * rate / length)
        found, voiced, _ = librosa.pyin(
            samples, fmin=lowest, fmax=min(HIGHEST, 0.45 * rate), sr=rate, frame_length=length, center=False
        )
        found = found[voiced & ~numpy.isnan(found)]
        return float(numpy.median(found)) if len(found) else None

    return estimate


methods = {}
try:
    import aubio

    for name in ("yin", "yinfast", "mcomb"):
        methods[f"aubio {name} 16384"] = aubio_pitch(aubio, name, 16384)
    methods["aubio mcomb 4096"] = aubio_pitch(aubio, "mcomb", 4096)
except ImportError:
    say(missing="aubio")
try:
    import librosa

    methods["librosa yin"] = librosa_yin(librosa)
    methods["librosa pyin"] = librosa_pyin(librosa)
except ImportError:
    say(missing="librosa")

cases = [json.loads(line) for line in (folder / "cases.jsonl").read_text().splitlines()]
for method, estimate in methods.items():
    warm = True
    for case in cases:
        samples = numpy.fromfile(folder / case["file"], dtype=numpy.float32)
        rate = int(case["rate"])
        try:
            if warm:
                estimate(samples, rate)
                warm = False
            begun = time.process_time()
            hz = estimate(samples, rate)
            spent = time.process_time() - begun
        except Exception as error:  # A method that refuses a case has not measured it.
            print(f"{method}, {case['file']}: {error}", file=sys.stderr)
            hz, spent = None, 0.0
        say(method=method, file=case["file"], hz=hz, cpu_s=spent)
