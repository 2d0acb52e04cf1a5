"""From what a person asked for to a running server."""

from __future__ import annotations

from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path

from legibility.errors import MissingExtraError
from legibility.herd.handling import load_handling
from legibility.identify.rules import load_rules
from legibility.settings import Settings
from legibility.store.database import open_herd
from legibility.web.config import ServerConfig
from legibility.web.tls import fingerprint, local_addresses
from legibility.web.tls import own_certificate as make_certificate


def serve_herd(
    herd: Path,
    *,
    say: Callable[[str], None],
    lan: bool,
    port: int,
    names: tuple[str, ...],
    certificate: tuple[Path, Path] | None,
    own_certificate: bool,
    eyes_first: bool,
    settings: Settings,
    jobs: int,
    test_numbers: bool,
    costs: Path | None = None,
    rules: Path | None = None,
) -> None:
    """Serve a herd's record until interrupted.

    Raises
    ------
    MissingExtraError
        If the extra ``web`` is not installed.
    StoreError, SettingsError, LegibilityError
        If the record, a file of figures or rules, the certificate or the address cannot be used.
    """
    missing = [name for name in ("flask", "tornado", "segno") if find_spec(name) is None]
    if missing:
        raise MissingExtraError(
            f"serve needs {', '.join(missing)}; install with: pip install 'legibility[web]'"
        )
    from legibility.web.serving import serve

    with open_herd(herd):
        pass
    load_handling(costs)
    if rules is not None:
        load_rules(rules)
    known = ("127.0.0.1", "localhost", *names, *(local_addresses() if lan else ()))
    folder = herd.with_suffix(".web")
    folder.mkdir(mode=0o700, exist_ok=True)
    if certificate is None and own_certificate:
        certificate = make_certificate(folder, known)
    if certificate is not None:
        say(f"Certificate's SHA-256: {fingerprint(certificate[0])}")
    config = ServerConfig(
        herd=herd,
        settings=settings,
        host="0.0.0.0" if lan else "127.0.0.1",
        port=port,
        host_names=known,
        certificate=certificate[0] if certificate else None,
        key=certificate[1] if certificate else None,
        eyes_first=eyes_first,
        jobs=jobs,
        test_numbers=test_numbers,
        costs=costs,
        rules=rules,
    )
    serve(config, say)
