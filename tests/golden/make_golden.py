"""Write the golden files of the newest schema; run once for each new version, never again.

python tests/golden/make_golden.py
"""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from invented import measurement, recording

from echotrace.files import native

if __name__ == "__main__":
    folder = Path(__file__).parent
    for path, write, thing in (
        (folder / f"recording_v{native.RECORDING_VERSION}.h5", native.write_recording, recording()),
        (
            folder / f"measurement_v{native.MEASUREMENT_VERSION}.h5",
            native.write_measurement,
            measurement(),
        ),
    ):
        if path.exists():
            print(f"{path.name} exists; a golden file is never written twice")
        else:
            write(thing, path)
