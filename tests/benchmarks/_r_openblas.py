"""R with the OpenBLAS that comes with scipy: a library that has BLAS's and LAPACK's names and jumps to scipy's, loaded before R's own.

R calls `dgemm_`, scipy's library has it as `scipy_dgemm_`: the same code under another name.
"""

import re
import shutil
import subprocess
from pathlib import Path

import scipy

ABSENT = "got no OpenBLAS for R: expected scipy's own and gcc with nm, on x86-64"


def library() -> Path | None:
    """Return scipy's OpenBLAS, None where it has none of its own."""
    return next(iter(sorted((Path(scipy.__file__).parents[1] / "scipy.libs").glob("libscipy_openblas-*.so"))), None)


def preload(folder: Path) -> dict[str, str] | None:
    """Make the library in a folder; the environment in which a program takes it, None where it cannot be made."""
    found, gcc, nm = library(), shutil.which("gcc"), shutil.which("nm")
    if found is None or gcc is None or nm is None:
        return None
    listed = subprocess.run([nm, "-D", "--defined-only", str(found)], capture_output=True, text=True, check=True).stdout
    names = re.findall(r" T scipy_([a-z0-9]+_)$", listed, re.MULTILINE)
    jumps = "".join(f".globl {name}\n.type {name},@function\n{name}: jmp scipy_{name}@PLT\n" for name in names)
    source, made = folder / "names.s", folder / "libnames.so"
    source.write_text(f'.text\n{jumps}.section .note.GNU-stack,"",@progbits\n', encoding="ascii")
    linked = [f"-L{found.parent}", f"-l:{found.name}", f"-Wl,-rpath,{found.parent}"]
    done = subprocess.run([gcc, "-shared", "-o", str(made), str(source), *linked], capture_output=True, check=False)
    return {"LD_PRELOAD": str(made)} if done.returncode == 0 else None
