"""Finding files: the user's own first, then what is shipped."""

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from sequencer.files.shipped import find_file, shipped_names
from sequencer.problems import FileProblems

ROOT = Path(__file__).parents[3]


@pytest.fixture
def elsewhere(tmp_path, monkeypatch):
    """Work in an empty folder."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize(
    "text", ["cept-40", "cept-40.yaml", "plans/cept-40.yaml", "plans/cept-40", "./plans/cept-40.yaml"]
)
def test_a_shipped_file_is_found_by_name_or_path(elsewhere, text):
    """A shipped plan is found from any folder, by bare name or by its path in the project."""
    assert find_file(text, "plan") == ROOT / "sequences" / "plans" / "cept-40.yaml"


def test_the_users_own_file_comes_first(elsewhere):
    """A file that exists where the person stands is taken before a shipped one of the same path."""
    own = elsewhere / "plans" / "cept-40.yaml"
    own.parent.mkdir()
    own.write_text("plan: my own")
    assert find_file("plans/cept-40.yaml", "plan").resolve() == own


def test_beside_the_referring_file_comes_before_the_current_folder(elsewhere):
    """A path in a file is first looked for in the folder of that file."""
    (elsewhere / "p.yaml").write_text("plan: here")
    (elsewhere / "deep").mkdir()
    (elsewhere / "deep" / "p.yaml").write_text("plan: there")
    assert find_file("p.yaml", "plan", beside=elsewhere / "deep" / "seq.yaml").parent.name == "deep"
    assert find_file("p.yaml", "plan").resolve().parent == elsewhere


def test_profiles_are_found_within_their_role(elsewhere):
    """One profile name exists for many roles; the role says which is meant."""
    path = find_file("scpi-1999", "profile", within="power_meter")
    assert path == ROOT / "drivers" / "profiles" / "power_meter" / "scpi-1999.yaml"


@pytest.mark.parametrize("text", ["cept-41", "uk2781", "../../etc/passwd", "", "\0", "x" * 5000])
def test_what_is_nowhere_is_a_complaint_that_lists_what_there_is(elsewhere, text):
    """Unknown, hostile and impossible names are complaints that name the shipped plans."""
    with pytest.raises(FileProblems) as caught:
        find_file(text, "plan")
    assert "cept-40.yaml" in caught.value.complaints[0].allowed


def test_the_nearest_shipped_name_is_offered(elsewhere):
    """A slip of the finger is answered with the name that was meant."""
    with pytest.raises(FileProblems, match=r"did you mean 'cept-40.yaml'\?"):
        find_file("plans/cpet-40.yaml", "plan")


def test_a_shipped_file_is_found_in_a_zipped_installation(tmp_path):
    """Package data is found through importlib even where it is no ordinary file: imported from a zip."""
    archive = tmp_path / "installed.zip"
    with zipfile.ZipFile(archive, "w") as packed:
        for package in ("sequencer", "sequences"):
            for path in (ROOT / package).rglob("*"):
                if path.suffix in {".py", ".yaml"}:
                    packed.write(path, path.relative_to(ROOT))
    program = (
        "from sequencer.files.shipped import find_file; from sequencer.inputs.channel_plan import read_plan; import sequencer;"
        "print(sequencer.__file__); print(read_plan(find_file('cept-40', 'plan')).described)"
    )
    done = subprocess.run(
        [sys.executable, "-c", program],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(archive)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.stderr == ""
    assert "installed.zip" in done.stdout
    assert done.stdout.splitlines()[-1] == "channels 1 to 40"


def test_plans_are_listed():
    """The shipped plans can be listed by name."""
    assert {"cept-40.yaml", "uk-27-81.yaml"} <= set(shipped_names("plan"))
