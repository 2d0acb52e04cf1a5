"""Everything a running server holds, put together once."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path

from legibility.photo.load import MIB
from legibility.pipeline.chute import ChutePhoto, read_chute_photo
from legibility.pipeline.chute_session import ChuteShot, ChuteVisit, combine_chute_visit
from legibility.web.config import ServerConfig
from legibility.web.devices import Devices
from legibility.web.dispatcher import Dispatcher, ReadPhoto, process_pool
from legibility.web.measures import Measures
from legibility.web.office_tasks import OfficeTasks, gentle_pool
from legibility.web.office_work import run_task
from legibility.web.uploads import Upload, Uploads
from legibility.web.visits import Visits


@dataclass(frozen=True, slots=True)
class Server:
    """The parts of one server."""

    config: ServerConfig
    devices: Devices
    uploads: Uploads
    visits: Visits
    measures: Measures
    dispatcher: Dispatcher
    office: OfficeTasks

    def read(self, upload: Upload) -> None:
        """Have an upload read."""
        self.dispatcher.submit(upload.upload_id, self._asked(upload))

    def combine(self, upload_id: str) -> None:
        """Have what the photos of an upload's visit say together worked out anew."""
        upload = self.uploads.find(upload_id)
        visit = self.visits.find(upload.visit_id) if upload is not None else None
        if upload is None or visit is None:
            return
        found = [self.uploads.find(name) for name in visit["uploads"]]
        photos = [photo for photo in found if photo is not None]
        redrawn = {photo.drawn_from for photo in photos}
        shots = tuple(
            ChuteShot(self.uploads.folder_of(p.upload_id), p.stage, p.ear)
            for p in photos
            if p.upload_id not in redrawn
        )
        minutes = max(0.0, (max(p.received_at for p in photos) - visit["started_at"]) / 60)
        asked = ChuteVisit(
            self.config.herd,
            self.visits.session_file(visit["visit_id"]),
            shots,
            self.config.settings,
            minutes,
        )
        self.dispatcher.call(combine_chute_visit, asked)

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
        dispatcher=Dispatcher(
            open_pool or (lambda: process_pool(config.jobs or 2)),
            most=limits.waiting_photos,
            measures=measures,
            failed=uploads.fail,
            ended=lambda upload_id: _tell(ended, upload_id),
            read=read,
        ),
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
    ended.append(server.combine)
    for upload in list(uploads.unanswered()):
        server.read(upload)
    return server


def _tell(those: list[Callable[[str], None]], upload_id: str) -> None:
    for call in those:
        call(upload_id)
