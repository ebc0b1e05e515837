import io
import os
import pickle
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from scalemodel.data.store import FOLDER, load_arrays, save_arrays

ARRAYS = {"mode": np.arange(6.0).reshape(2, 3), "cards": np.array(["a", "öö"])}
posix = pytest.mark.skipif(os.name != "posix", reason="links and pipes as POSIX has them")
META = {"seed": 3, "converged": True, "note": "é", "sd": 0.1}


def stored(folder: Path, key: str = "k1") -> Path:
    assert save_arrays(folder, key, ARRAYS, META)
    return folder / FOLDER / f"{key}.fit"


def test_round_trip(tmp_path: Path) -> None:
    stored(tmp_path)
    loaded = load_arrays(tmp_path, "k1")
    assert loaded is not None
    arrays, meta = loaded
    assert meta == META
    assert set(arrays) == set(ARRAYS)
    for name, array in ARRAYS.items():
        np.testing.assert_array_equal(arrays[name], array)
        assert arrays[name].dtype == array.dtype
        with pytest.raises(ValueError, match="read-only"):
            arrays[name][0] = arrays[name][0]


def test_nothing_there(tmp_path: Path) -> None:
    assert load_arrays(tmp_path, "k1") is None
    stored(tmp_path).unlink()
    assert load_arrays(tmp_path, "k1") is None
    assert load_arrays(tmp_path / "missing", "k1") is None


def test_any_single_damaged_byte_is_noticed(tmp_path: Path) -> None:
    path = stored(tmp_path)
    content = path.read_bytes()
    for place in range(0, len(content), 37):
        damaged = bytearray(content)
        damaged[place] ^= 1
        path.write_bytes(damaged)
        assert load_arrays(tmp_path, "k1") is None, place


@pytest.mark.parametrize("length", [0, 1, 64, 65, 200])
def test_cut_off_files_are_noticed(tmp_path: Path, length: int) -> None:
    path = stored(tmp_path)
    path.write_bytes(path.read_bytes()[:length])
    assert load_arrays(tmp_path, "k1") is None


def test_renamed_file_is_foreign(tmp_path: Path) -> None:
    path = stored(tmp_path)
    path.rename(path.with_name("k2.fit"))
    assert load_arrays(tmp_path, "k2") is None


class Trap:
    def __reduce__(self) -> tuple[object, ...]:
        return os.mkdir, ("sprung",)


def test_foreign_files_with_a_right_digest_run_no_code(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from scalemodel.data.store import _digest

    monkeypatch.chdir(tmp_path)
    path = stored(tmp_path)
    stream = io.BytesIO()
    np.savez(stream, trap=np.array([Trap()], dtype=object), allow_pickle=True)
    bare = io.BytesIO()
    np.savez(bare, mode=np.arange(3))
    for archive in (stream.getvalue(), pickle.dumps(Trap()), b"", b"PK\x03\x04", bare.getvalue()):
        path.write_bytes(_digest("k1", archive) + b"\n" + archive)
        assert load_arrays(tmp_path, "k1") is None
    assert not (tmp_path / "sprung").exists()


def test_objects_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match=r"array \"a\" holds objects"):
        save_arrays(tmp_path, "k1", {"a": np.array([None])}, {})


@pytest.mark.parametrize("key", ["", "../k", "a/b", "a.b", "x" * 101, "é"])
def test_keys_stay_in_the_folder(tmp_path: Path, key: str) -> None:
    with pytest.raises(ValueError, match="cannot be a key"):
        save_arrays(tmp_path, key, {}, {})
    with pytest.raises(ValueError, match="cannot be a key"):
        load_arrays(tmp_path, key)


def test_meta_that_is_not_json(tmp_path: Path) -> None:
    with pytest.raises(TypeError):
        save_arrays(tmp_path, "k1", {}, {"path": tmp_path})


def test_places_that_cannot_be_written(tmp_path: Path) -> None:
    assert not save_arrays(tmp_path / "missing", "k1", ARRAYS, META)
    (tmp_path / FOLDER).write_text("a file where the folder should be")
    assert not save_arrays(tmp_path, "k1", ARRAYS, META)
    assert load_arrays(tmp_path, "k1") is None


def test_only_the_newest_are_kept_and_leftovers_go(tmp_path: Path) -> None:
    for i in range(12):
        os.utime(stored(tmp_path, f"k{i}"), (1_000_000 + i, 1_000_000 + i))
    store = tmp_path / FOLDER
    (store / ".old.fit-00.tmp").touch()
    os.utime(store / ".old.fit-00.tmp", (1_000_000, 1_000_000))
    (store / ".new.fit-00.tmp").touch()
    (store / "notes.txt").touch()
    stored(tmp_path, "last")
    assert sorted(p.name for p in store.iterdir()) == sorted(
        [".new.fit-00.tmp", "notes.txt", "last.fit", *(f"k{i}.fit" for i in range(5, 12))]
    )


def test_two_processes_at_once(tmp_path: Path) -> None:
    script = (
        "import sys, pathlib, numpy as np\n"
        "from scalemodel.data.store import load_arrays, save_arrays\n"
        "folder, mine = pathlib.Path(sys.argv[1]), float(sys.argv[2])\n"
        "for i in range(150):\n"
        "    assert save_arrays(folder, 'k', {'a': np.full(5000, mine)}, {'who': mine})\n"
        "    arrays, meta = load_arrays(folder, 'k')\n"
        "    assert (arrays['a'] == meta['who']).all()\n"
    )
    command = [sys.executable, "-c", script, str(tmp_path)]
    workers = [subprocess.Popen([*command, str(who)], stderr=subprocess.PIPE) for who in (1, 2)]
    for worker in workers:
        _, errors = worker.communicate(timeout=120)
        assert worker.returncode == 0, errors.decode()
    assert [p.name for p in (tmp_path / FOLDER).iterdir()] == ["k.fit"]


def sealed(key: str, archive: bytes) -> bytes:
    from scalemodel.data.store import _digest

    return _digest(key, archive) + b"\n" + archive


def test_a_forged_archive_that_is_packed_is_not_unpacked(tmp_path: Path) -> None:
    path = stored(tmp_path)
    stream = io.BytesIO()
    np.savez_compressed(stream, bomb=np.zeros(1 << 20), **{"meta.json": np.array([123, 125])})
    path.write_bytes(sealed("k1", stream.getvalue()))
    assert load_arrays(tmp_path, "k1") is None


def test_a_forged_array_that_claims_a_shape_it_has_not(tmp_path: Path) -> None:
    path = stored(tmp_path)
    archive = path.read_bytes().partition(b"\n")[2]
    claimed = archive.replace(b"(2, 3)", b"(9, 9)")
    assert claimed != archive
    path.write_bytes(sealed("k1", claimed))
    assert load_arrays(tmp_path, "k1") is None


@pytest.mark.parametrize("words", [b"[]", b"7", b"{", b"", b"[" * 100_000])
def test_forged_words_that_are_no_mapping(tmp_path: Path, words: bytes) -> None:
    path = stored(tmp_path)
    stream = io.BytesIO()
    np.savez(stream, **{"meta.json": np.frombuffer(words, dtype=np.uint8)})
    path.write_bytes(sealed("k1", stream.getvalue()))
    assert load_arrays(tmp_path, "k1") is None


@posix
def test_a_kept_file_that_is_a_link_is_not_followed(tmp_path: Path) -> None:
    path = stored(tmp_path)
    mine = path.rename(tmp_path / "mine")
    before = mine.read_bytes()
    path.symlink_to(mine)
    assert load_arrays(tmp_path, "k1") is None
    assert save_arrays(tmp_path, "k1", {}, META)
    assert mine.read_bytes() == before
    assert not path.is_symlink()


@posix
def test_a_store_that_is_a_link_is_not_written_to(tmp_path: Path) -> None:
    (tmp_path / "mine").mkdir()
    (tmp_path / FOLDER).symlink_to(tmp_path / "mine")
    assert not save_arrays(tmp_path, "k1", ARRAYS, META)
    assert list((tmp_path / "mine").iterdir()) == []


@posix
def test_a_pipe_in_the_place_of_a_kept_file_holds_nothing_up(tmp_path: Path) -> None:
    (tmp_path / FOLDER).mkdir()
    os.mkfifo(tmp_path / FOLDER / "k1.fit")
    assert load_arrays(tmp_path, "k1") is None
