"""Fetch the ONNX runtime library that the program loads when it starts.

    python3 models/fetch_runtime.py [FOLDER]

Takes `libonnxruntime.so` from the PyPI wheel `onnxruntime` (MIT licence) and puts it, with its licence texts, in FOLDER
(default: `.setup/onnxruntime` beside this repository's `models`). Needs only Python 3 and pip. Does nothing when the
library of this version is already there. Nothing is half-written: the folder appears whole.
"""

import os
import shutil
import subprocess
import sys
import tempfile
import zipfile
from pathlib import Path

VERSION = "1.31.1"
LIBRARY = "libonnxruntime.so"
FOLDER = Path(__file__).resolve().parent.parent / ".setup" / "onnxruntime"


def fetch(folder: Path):
    if (folder / LIBRARY).is_file() and (folder / "VERSION").is_file():
        if (folder / "VERSION").read_text().strip() == VERSION:
            print(f"onnxruntime {VERSION} is already in {folder}", file=sys.stderr)
            return
    folder.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=folder.parent) as scratch:
        scratch = Path(scratch)
        command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--only-binary", ":all:"]
        subprocess.run([*command, f"onnxruntime=={VERSION}", "--dest", str(scratch)], check=True)
        wheel = next(scratch.glob("onnxruntime-*.whl"))
        ready = scratch / "ready"
        ready.mkdir()
        with zipfile.ZipFile(wheel) as files:
            for name in files.namelist():
                base = name.rsplit("/", 1)[-1]
                if base.startswith(LIBRARY):
                    target = ready / LIBRARY
                elif base in ("LICENSE", "ThirdPartyNotices.txt"):
                    target = ready / base
                else:
                    continue
                with files.open(name) as source, open(target, "wb") as sink:
                    shutil.copyfileobj(source, sink)
        if not (ready / LIBRARY).is_file():
            raise SystemExit(f"{wheel.name} has no {LIBRARY}: this machine's kind is not served (Linux is)")
        (ready / "VERSION").write_text(VERSION + "\n")
        if folder.exists():
            shutil.rmtree(folder)
        os.rename(ready, folder)
    print(f"onnxruntime {VERSION} is now in {folder}", file=sys.stderr)


if __name__ == "__main__":
    fetch(Path(sys.argv[1]).resolve() if len(sys.argv) > 1 else FOLDER)
