"""Everything a running server holds, put together once."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path

from legibility.errors import StoreError
from legibility.photo.load import MIB
from legibility.pipeline.chute import ChutePhoto, read_chute_photo
from legibility.pipeline.chute_session import READ_FILE, ChuteEyes, ChuteShot, ChuteVisit
from legibility.web.checks import Checks, checking_pool
from legibility.web.combining import Combining
from legibility.web.config import ServerConfig
from legibility.web.devices import Devices
from legibility.web.dispatcher import Dispatcher, ReadPhoto, reading_pool
from legibility.web.journal import log
from legibility.web.measures import Measures
from legibility.web.office_tasks import OfficeTasks, gentle_pool
from legibility.web.office_work import run_task
from legibility.web.transponder import pair_photos_of
from legibility.web.uploads import Upload, Uploads
from legibility.web.visits import (
    Visit,
    Visits,
    answered,
    left_out,
    one_for_sure,
    scans_that_count,
)
from legibility.workers import usable_cores


@dataclass(frozen=True, slots=True)
class Server:
    """The parts of one server."""

    config: ServerConfig
    devices: Devices
    uploads: Uploads
    visits: Visits
    measures: Measures
    checks: Checks
    dispatcher: Dispatcher
    combining: Combining
    office: OfficeTasks

    def read(self, upload: Upload) -> None:
        """Have an upload checked and read."""
        asked = self._asked(upload)
        self.checks.ask(asked)
        self.dispatcher.submit(upload.upload_id, asked)

    def combine(self, visit: Visit) -> None:
        """Have what the photos of a visit say together worked out anew."""
        found = [self.uploads.find(name) for name in visit["uploads"]]
        photos = [photo for photo in found if photo is not None]
        if not photos:
            return
        aside = {photo.drawn_from for photo in photos} | left_out(visit)
        shots = tuple(
            ChuteShot(self.uploads.folder_of(p.upload_id), p.stage, p.ear, number)
            for number, p in enumerate(photos, start=1)
            if p.upload_id not in aside
        )
        minutes = max(0.0, (max(p.received_at for p in photos) - visit["started_at"]) / 60)
        asked = ChuteVisit(
            self.config.herd,
            self.visits.session_file(visit["visit_id"]),
            shots,
            self.config.settings,
            minutes,
            eyes=_eyes(visit),
            scans=tuple((s["number"], tuple(s["animals"])) for s in scans_that_count(visit)),
            earlier_wrong=tuple(answer["what"] for answer in answered(visit, "earlier_wrong")),
            one_for_sure=one_for_sure(visit),
        )
        self.combining.ask(visit["visit_id"], asked)

    def after_reading(self, upload_id: str) -> None:
        """What follows when a photo was read, or could not be."""
        upload = self.uploads.find(upload_id)
        visit = self.visits.find(upload.visit_id) if upload is not None else None
        if upload is None or visit is None:
            return
        self.combine(visit)
        if visit["scans"]:
            try:
                self.pair_scans(visit)
            except StoreError:
                log("pairing failed", level=40, failed=True)

    def pair_scans(self, visit: Visit) -> None:
        """Connect the photos of a visit with the transponder read there."""
        names = [name for name in visit["uploads"] if name not in left_out(visit)]
        photos = filter(None, (self.uploads.find(name) for name in names))
        digests = [photo.sha256 for photo in photos]
        pair_photos_of(self.config.herd, scans_that_count(visit), digests)

    def close(self) -> None:
        """Stop; the next start goes on with what was not done."""
        self.combining.close()
        self.checks.close()
        self.dispatcher.close()
        self.office.close()

    def _asked(self, upload: Upload) -> ChutePhoto:
        return ChutePhoto(
            herd=self.config.herd,
            file=self.uploads.photo_file(upload.upload_id),
            sha256=upload.sha256,
            out=self.uploads.folder_of(upload.upload_id),
            settings=self.config.settings,
            stage=upload.stage,
            ear=upload.ear,
            taken_at=upload.taken_at,
            drawn=upload.drawn,
            who="chute",
        )


def open_server(
    config: ServerConfig,
    *,
    open_pool: Callable[[], Executor] | None = None,
    read: ReadPhoto = read_chute_photo,
) -> Server:
    """Open the server's folder, and go on with photos that were not read yet."""
    folder: Path = config.folder
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    limits, measures = config.limits, Measures()
    uploads = Uploads(folder / "uploads", max_bytes=int(config.settings.max_file_mib * MIB))
    ended: list[Callable[[str], None]] = []
    dispatcher = Dispatcher(
        open_pool or (lambda: reading_pool(config.jobs or usable_cores())),
        most=limits.waiting_photos,
        measures=measures,
        failed=uploads.fail,
        ended=lambda upload_id: _tell(ended, upload_id),
        read=read,
    )
    server = Server(
        config=config,
        devices=Devices(
            folder / "devices.json",
            token_hours=limits.token_hours,
            code_minutes=limits.code_minutes,
        ),
        uploads=uploads,
        visits=Visits(folder / "visits"),
        measures=measures,
        checks=Checks(open_pool or checking_pool),
        dispatcher=dispatcher,
        combining=Combining(dispatcher.call),
        office=OfficeTasks(
            folder / "office",
            herd=config.herd,
            settings=config.settings,
            run=run_task,
            costs=config.costs,
            rules=config.rules,
            open_pool=open_pool or gentle_pool,
        ),
    )
    ended.append(server.after_reading)
    for upload in list(uploads.unanswered()):
        server.read(upload)
    for visit in server.visits.all():
        if _is_behind(server, visit):
            server.combine(visit)
    return server


def _eyes(visit: Visit) -> tuple[ChuteEyes, ...]:
    """What people read of the photos, but what was said to be wrong."""
    wrong = {answer["what"] for answer in answered(visit, "reading_wrong")}
    return tuple(
        ChuteEyes(name, said["text"]) for name, said in visit["eyes"].items() if name not in wrong
    )


def _is_behind(server: Server, visit: Visit) -> bool:
    """Whether a photo was read after a visit's photos were last combined."""
    session = server.visits.session_file(visit["visit_id"])
    combined_at = session.stat().st_mtime if session.exists() else 0.0
    read = (server.uploads.folder_of(name) / READ_FILE for name in visit["uploads"])
    return any(file.exists() and file.stat().st_mtime > combined_at for file in read)


def _tell(those: list[Callable[[str], None]], upload_id: str) -> None:
    for call in those:
        call(upload_id)
