"""How many processes a fit is spread over, by the memory that there is."""

from pathlib import Path

from service.modelling import fits


def meminfo(folder: Path, available: int, **container: str) -> Path:
    """Make the files in which a system tells its memory, in kB, and the limit of a container, in bytes."""
    (folder / "proc").mkdir()
    (folder / "proc/meminfo").write_text(f"MemTotal: 99999999 kB\nMemFree: 1 kB\nMemAvailable: {available} kB\n")
    limits = folder / "sys/fs/cgroup"
    limits.mkdir(parents=True)
    for name, value in container.items():
        (limits / f"memory.{name}").write_text(f"{value}\n")
    return folder


def test_a_fit_takes_as_many_processes_as_the_memory_holds(tmp_path: Path) -> None:
    gigabyte = 10**9
    # A network's history of 300,000 runs: one process takes some 4 GB, and 20 GB do not hold 16 of them.
    assert fits.processes(2, 300_000, 20 * gigabyte) == 2
    assert 4 <= fits.processes(16, 300_000, 20 * gigabyte) < 16
    assert fits.processes(16, 300_000, 100_000) == 1  # it may be tight, but nothing else is left to try
    assert fits.processes(4, 3_000, 20 * gigabyte) == 4
    assert fits.processes(4, 3_000, None) == 4
    assert fits.free_memory(meminfo(tmp_path, 5_000_000, max="max", current="7")) == 5_000_000 * 1024


def test_a_containers_limit_counts_where_it_is_closer(tmp_path: Path) -> None:
    assert fits.free_memory(meminfo(tmp_path, 5_000_000, max="3000000000", current="1000000000")) == 2_000_000_000


def test_where_the_memory_is_not_told_processors_alone_count(tmp_path: Path) -> None:
    assert fits.free_memory(tmp_path) is None
