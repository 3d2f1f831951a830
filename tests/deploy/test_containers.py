"""Dockerfile and compose file: what they name exists, no secret is inline, all stays on loopback.

No container engine runs where this was written: nothing here has been built or started. hadolint
and Docker Compose read the files; the scripts run against a stand-in for `docker`.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import stat
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest
import yaml

from borewarden.settings.service import load_folder

ROOT = Path(__file__).parents[2]
DOCKER = ROOT / "deploy" / "docker"
COMPOSE: dict[str, Any] = yaml.safe_load((DOCKER / "compose.yaml").read_text(encoding="utf-8"))
SERVICES: dict[str, dict[str, Any]] = COMPOSE["services"]
SECRET = re.compile(r"token|password|secret", re.I)


def _instructions() -> list[tuple[str, str]]:
    text = (DOCKER / "Dockerfile").read_text(encoding="utf-8")
    text = re.sub(r"^#.*\n", "", text, flags=re.M).replace("\\\n", " ")
    return [
        (word, rest.strip())
        for word, _, rest in (line.partition(" ") for line in text.splitlines() if line.strip())
    ]


def _all_of(word: str) -> list[str]:
    return [rest for instruction, rest in _instructions() if instruction == word]


def _run(program: str, *options: str) -> subprocess.CompletedProcess[str]:
    """A program of the test requirements; only Linux has these two."""
    path = Path(sys.executable).with_name(program)
    if not path.exists():
        pytest.skip(f"{program} is not installed beside {sys.executable}")
    return subprocess.run([path, *options], capture_output=True, text=True, check=False)


def test_hadolint_finds_nothing_to_say_of_the_dockerfile() -> None:
    done = _run("hadolint", "--no-color", str(DOCKER / "Dockerfile"))
    assert (done.returncode, done.stdout) == (0, "")


def test_docker_compose_reads_the_file() -> None:
    done = _run("docker-compose", "-f", str(DOCKER / "compose.yaml"), "config", "-q")
    assert (done.returncode, done.stderr) == (0, "")


# -- compose


def test_compose_has_watcher_store_and_dashboards() -> None:
    assert set(SERVICES) == {"watcher", "influxdb", "grafana"}
    for service in SERVICES.values():
        assert service["restart"] == "unless-stopped"
        assert "no-new-privileges:true" in service["security_opt"]
        assert not service.get("privileged")
        assert "network_mode" not in service


@pytest.mark.parametrize("name", SERVICES)
def test_ports_are_published_on_loopback_only(name: str) -> None:
    for port in SERVICES[name]["ports"]:
        assert re.fullmatch(r"127\.0\.0\.1:\d+:\d+", port)


@pytest.mark.parametrize("name", SERVICES)
def test_volumes_exist(name: str) -> None:
    for volume in SERVICES[name]["volumes"]:
        source, _, options = volume.partition(":")
        if source.startswith("."):
            assert (DOCKER / source).resolve().exists(), source
            assert options.endswith(":ro"), "what comes from the repository is only read"
        else:
            assert source in COMPOSE["volumes"]


@pytest.mark.parametrize("name", SERVICES)
def test_secrets_come_from_files(name: str) -> None:
    service = SERVICES[name]
    for secret in service["secrets"]:
        assert COMPOSE["secrets"][secret] == {"file": f"./secrets/{secret}"}
    for variable, value in service["environment"].items():
        if SECRET.search(variable) and "__CLEAR_" not in variable:
            folder, _, secret = str(value).rpartition("/")
            assert (folder == "/run/secrets" and secret in service["secrets"]) or (
                value == "/run/secrets"
            ), f"{variable} holds a secret"
    # nor does a variable of the shell that starts it slip in, but for which images there are
    text = re.sub(r"\$\{BOREWARDEN_\w+_IMAGE:-[\w/.:-]+\}", "", json.dumps(service))
    assert "$" not in text


def test_every_secret_is_made_by_a_script_and_kept_out_of_the_repository() -> None:
    scripts = (DOCKER / "make-secrets.sh").read_text() + (DOCKER / "make-tokens.sh").read_text()
    for secret in COMPOSE["secrets"]:
        assert secret in scripts
    ignored = (DOCKER / "secrets" / ".gitignore").read_text(encoding="utf-8").splitlines()
    assert ignored[-2:] == ["*", "!.gitignore"]
    tracked = subprocess.run(
        ["git", "ls-files", str(DOCKER / "secrets")],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert set(tracked.stdout.split()) <= {"deploy/docker/secrets/.gitignore"}


def test_grafana_is_provisioned_with_what_the_dashboards_need() -> None:
    grafana = SERVICES["grafana"]
    mounts = dict(volume.split(":")[:2] for volume in grafana["volumes"])
    provider = ROOT / "deploy/grafana/provisioning/dashboards/borewarden.yaml"
    (dashboards,) = yaml.safe_load(provider.read_text(encoding="utf-8"))["providers"]
    assert mounts["../grafana/dashboards/influxql"] == dashboards["options"]["path"]
    assert mounts["../grafana/provisioning"] == "/etc/grafana/provisioning"
    home = Path(grafana["environment"]["GF_DASHBOARDS_DEFAULT_HOME_DASHBOARD_PATH"])
    assert (ROOT / "deploy/grafana/dashboards/influxql" / home.name).exists()
    sources = (ROOT / "deploy/grafana/provisioning/datasources/borewarden.yaml").read_text()
    given = {name.removesuffix("__FILE") for name in grafana["environment"]}
    for variable in re.findall(r"\$(\w+)", re.sub(r"#.*", "", sources)):
        assert variable in given
    (source,) = yaml.safe_load(sources)["datasources"]
    mapping = (DOCKER / "influxdb" / "map-database.sh").read_text(encoding="utf-8")
    assert f"--db {source['jsonData']['dbName']} " in mapping


def test_watcher_takes_its_settings_from_the_compose_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for variable, value in SERVICES["watcher"]["environment"].items():
        monkeypatch.setenv(variable, value)
    monkeypatch.setenv("BOREWARDEN_SECRETS_DIR", str(tmp_path / "secrets"))
    (tmp_path / "secrets").mkdir()
    (tmp_path / "secrets" / "influx_token").write_text("made up\n", encoding="utf-8")
    machines = tmp_path / "machines"
    machines.mkdir()
    shutil.copy(ROOT / "config" / "live" / "north-modbus.toml", machines)
    shutil.copy(DOCKER / "machines" / "README.md", machines)

    (machine,), service = load_folder(machines)

    assert machine.name == "North live"
    assert service.page.host == "0.0.0.0"  # of the container; published on loopback
    assert service.page.names == ["127.0.0.1", "localhost"]
    assert service.page.is_open  # and asks for a login
    settings = service.influx_settings()
    influx = SERVICES["influxdb"]["environment"]
    assert settings.url == "http://influxdb:8086"
    assert settings.org == influx["DOCKER_INFLUXDB_INIT_ORG"]
    assert settings.bucket == influx["DOCKER_INFLUXDB_INIT_BUCKET"]
    assert settings.token.get_secret_value() == "made up"


# -- Dockerfile


def test_image_is_built_in_stages_from_what_exists() -> None:
    build = SERVICES["watcher"]["build"]
    context = (DOCKER / build["context"]).resolve()
    assert context == ROOT
    assert (context / build["dockerfile"]) == DOCKER / "Dockerfile"
    bases = _all_of("FROM")
    assert [base.split()[0] for base in bases] == ["${PYTHON_IMAGE}"] * 2
    assert _all_of("ARG") == ["PYTHON_IMAGE=python:3.11-slim"]
    kept = (ROOT / ".dockerignore").read_text(encoding="utf-8").splitlines()
    assert "*" in kept
    for copied in _all_of("COPY"):
        if copied.startswith("--from=build"):
            continue
        for source in copied.split()[:-1]:
            assert (ROOT / source).exists()
            assert f"!{source.removeprefix('./')}" in kept, f"{source} is ignored"


BUILDS = {"hatchling", "packaging", "pathspec", "pluggy", "trove-classifiers"}  # no package of ours


def test_hashed_lock_is_in_step_with_the_other() -> None:
    """What is missing in it beyond that, pip itself refuses to install."""
    lines = (ROOT / "requirements.lock").read_text(encoding="utf-8").splitlines()
    pinned = {line.partition(" ")[0] for line in lines if re.match(r"\w", line)}
    text = (ROOT / "requirements-hashed.lock").read_text(encoding="utf-8")
    hashed = set()
    for entry in text.replace(" \\\n", "").splitlines():
        given, *hashes = entry.split("    --hash=")
        hashed.add(given.partition(" ")[0])
        assert hashes, f"{given} has no hash"
        assert all(re.fullmatch(r"sha256:[0-9a-f]{64}", each) for each in hashes)
    assert {given for given in hashed if given.partition("==")[0] not in BUILDS} <= pinned
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    needed = [*project["project"]["dependencies"], *project["build-system"]["requires"]]
    names = {re.match(r"[\w-]+", each)[0] for each in needed}  # type: ignore[index]
    assert names <= {given.partition("==")[0] for given in hashed}


def test_image_runs_the_watch_without_rights_and_says_how_it_is() -> None:
    words = [word for word, _ in _instructions()]
    assert words.index("USER") < words.index("CMD")
    (user,) = _all_of("USER")
    assert int(user) > 0  # a number, which the host can tell from root without the image
    assert any(f"--uid {user} " in run for run in _all_of("RUN"))
    command = json.loads(_all_of("CMD")[0])
    assert command[:2] == ["borewarden", "watch"]
    mounts = [volume.split(":")[1] for volume in SERVICES["watcher"]["volumes"]]
    assert command[command.index("--config") + 1] in mounts
    assert str(Path(command[command.index("--store") + 1]).parent) in mounts
    (health,) = _all_of("HEALTHCHECK")
    assert "http://127.0.0.1:8787/healthz" in health
    compile(json.loads(health.partition("CMD")[2])[2], "healthcheck", "exec")
    assert not any(SECRET.search(line) for word in ("ENV", "ARG") for line in _all_of(word))


def test_writable_places_of_the_image_lie_in_its_volume() -> None:
    environment = dict(pair.split("=", 1) for line in _all_of("ENV") for pair in line.split())
    for variable in ("NUMBA_CACHE_DIR", "MPLCONFIGDIR"):
        assert environment[variable].startswith("/var/lib/borewarden/")
    assert SERVICES["watcher"]["read_only"] is True


# -- scripts


SCRIPTS = sorted(DOCKER.rglob("*.sh"))


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda path: path.name)
def test_scripts_are_sound_and_executable(script: Path) -> None:
    assert script.stat().st_mode & stat.S_IXUSR
    checked = subprocess.run(
        ["sh", "-n", str(script)], capture_output=True, text=True, timeout=30, check=False
    )
    assert checked.returncode == 0, checked.stderr


# What `influx` prints, from memory; "list" gives an array, "create" an object.
STAND_IN = r"""#!/bin/sh
echo "$*" >>"$CALLS"
case "$*" in
*"bucket list"*) printf '[\n\t{\n\t\t"id": "b0c4e7",\n\t\t"name": "borewarden"\n\t}\n]\n' ;;
*"--write-bucket b0c4e7"*) printf '{\n\t"id": "1",\n\t"token": "made-up-w=="\n}\n' ;;
*"--read-bucket b0c4e7"*) printf '{\n\t"id": "2",\n\t"token": "made-up-r=="\n}\n' ;;
*) exit 1 ;;
esac
"""


# What `docker` prints, from memory.
REGISTRY = """#!/bin/sh
for name; do :; done
case "$1" in image) echo "${name%:*}@sha256:0123" ;; esac
"""


def test_images_are_pinned_by_digest(tmp_path: Path) -> None:
    scripts, programs = tmp_path / "docker", tmp_path / "bin"
    programs.mkdir()
    shutil.copytree(DOCKER, scripts)
    (programs / "docker").write_text(REGISTRY, encoding="utf-8")
    (programs / "docker").chmod(0o755)
    path = f"{programs}:{os.environ['PATH']}"
    subprocess.run(
        [scripts / "pin-images.sh"], env={"PATH": path}, stdout=subprocess.DEVNULL, check=True,
        timeout=30,
    )  # fmt: skip
    pinned = dict(line.split("=") for line in (scripts / ".env").read_text().splitlines())
    assert pinned["BOREWARDEN_INFLUXDB_IMAGE"] == "influxdb@sha256:0123"
    used = set(re.findall(r"\$\{(BOREWARDEN_\w+_IMAGE):-", (DOCKER / "compose.yaml").read_text()))
    assert set(pinned) == used


@pytest.mark.parametrize("name", SERVICES)
def test_no_service_takes_all_of_the_computer(name: str) -> None:
    assert {"mem_limit", "cpus", "pids_limit"} <= SERVICES[name].keys()


def test_secrets_and_tokens_are_made_once(tmp_path: Path) -> None:
    folder = tmp_path / "docker"
    folder.mkdir()
    for name in ("make-secrets.sh", "make-tokens.sh"):
        shutil.copy(DOCKER / name, folder)
    bin_ = tmp_path / "bin"
    bin_.mkdir()
    (bin_ / "docker").write_text(STAND_IN, encoding="utf-8")
    (bin_ / "docker").chmod(0o755)
    environment = {"PATH": f"{bin_}:{os.environ['PATH']}", "CALLS": str(tmp_path / "calls")}

    def run(name: str) -> None:
        subprocess.run([folder / name], env=environment, timeout=60, check=True)

    run("make-secrets.sh")
    run("make-tokens.sh")
    made = {path.name: path.read_text() for path in (folder / "secrets").iterdir()}
    assert set(made) == set(COMPOSE["secrets"])
    assert made["influx_token"] == "made-up-w=="
    assert made["grafana_influx_token"] == "made-up-r=="
    for name in ("influx_admin_password", "influx_admin_token", "grafana_admin_password"):
        assert re.fullmatch(r"[0-9a-f]{64}", made[name])
    assert stat.S_IMODE((folder / "secrets").stat().st_mode) == 0o700
    run("make-secrets.sh")
    run("make-tokens.sh")
    assert {path.name: path.read_text() for path in (folder / "secrets").iterdir()} == made
    calls = (tmp_path / "calls").read_text().splitlines()
    assert sum("auth create" in call for call in calls) == 2
    assert all("--write-bucket" not in call for call in calls if "grafana" in call)
