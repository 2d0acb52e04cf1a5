"""What users do, as command lines: every command at least once, on inputs that never change.

A word a space apart; ``'`` holds words together. A line that begins with ``@`` writes a file: its
name, and after ``:`` its lines, parted by ``|``.
"""

from __future__ import annotations

from typing import Final

HERD: Final = (
    "@herd.csv: animal_id,mark,ear,birth_date,sex,chip,status,note|goat 1,HD/782,left,2019-03-01,"
    "female,,breeding,|goat 2,HD782,right,2020,male,276000000000017,,|goat 3,HB782,left,2021-05,"
    'female,,"for sale","=1+1"|goat 4,H0782,left,,,,dead,<b>|goat 5,KT101,left,2024,,,,'
)
REGISTRY: Final = {
    "registry": "registry sample_images/registry.csv --test-numbers --save learned.toml",
    "registry-json": "registry herd.csv --json -",
    "registry-columns": "registry odd.csv --columns animal_id=Tag,left_mark=Left --json odd.jsonl",
    "registry-asks": "registry odd.csv",
    "registry-refused": "registry broken.csv",
    "rules-list": "rules --list",
    "rules-show": "rules --show ca-simmental",
    "rules-check": "rules --rules old/rules.toml --check herd.csv",
    "rules-mark": "rules --rules old/rules.toml --mark KT/101",
    "rules-letter": "rules --letter M --table bif --json -",
    "risk": "risk sample_images/registry.csv --year 2026 --jobs 1",
    "risk-files": "risk herd.csv --year 2026 --jobs 1 --json risk.jsonl --csv risk.csv "
    "--html risk.html --counts old/counts.csv --condition worn",
    "risk-age": "risk herd.csv --year 2026 --jobs 1 --age-model ages.toml",
    "assign": "assign herd.csv --count 2 --rules simple.toml --seed 1 --needles-max 44",
    "assign-files": "assign herd.csv --count 4 --dies old/dies.toml "
    "--rules simple.toml --json assign.jsonl --csv assign.csv --html assign.html "
    "--condition mild --seed 1",
    "flags": "flags",
    "flags-json": "flags --json -",
    "models": "models",
    "models-json": "models --json -",
    "models-card": "models --card",
    "blind-score": "blind score old/sheet-ada.csv old/sheet-bo.csv --key old/key.json --truth "
    "truth.csv --reliability reliability.json --json score.json",
    "simulate": "simulate rendered --count 2 --seed 5",
    "simulate-stages": "simulate staged --stages --count 1 --seed 5",
    "no-command": "raed ear.jpg",
    "no-registry": "risk gone.csv",
    "bad-rules": "risk herd.csv --rules bad.toml",
    "bad-settings": "risk herd.csv --settings bad.toml",
    "bad-condition": "risk herd.csv --condition shiny",
    "bad-calibration": "read sample_images/as-new.jpg --calibration odd.csv",
    "bad-dies": "assign herd.csv --count 1 --dies odd.csv",
    "bad-counts": "risk herd.csv --counts odd.csv",
    "bad-key": "blind score old/sheet-ada.csv --key herd.csv",
    "bad-reading": "read sample_images/as-new.jpg --reading K?(",
    "bad-option": "read sample_images/as-new.jpg --jobs many",
    "not-written": "risk herd.csv --year 2026 --jobs 1 --csv herd.csv/risk.csv",
    "rerun-no-dossier": "rerun herd.csv",
}
REGISTRY_FILES: Final = (
    HERD,
    "@odd.csv: Tag;Left;Right;Day|1;K101;;02/03/2020|2;K102;;04/05/2021|3;;K103;x",
    "@broken.csv: animal_id,mark,birth_date|a,K101,2020-13-01|a,K1(2,|,K103,|b,,",
    "@ages.toml: years = [0, 5, 10]|grades = [4.0, 3.0, 1.5]",
    "@bad.toml: nonsense = 1|longest_row = 'x'",
    "@simple.toml: characters = 'ABCDEFGHK0123456789'|[[forms]]|rows = ['@#{3}']",
    "@truth.csv: photo,mark|as-new.jpg,J342|upside-down.jpg,C497",
)
RECORD: Final = {
    "worklist": "worklist herd.db --limit 12 --today 2026-12-01 --no-cache",
    "worklist-files": "worklist herd.db --limit 5 --days 2 --today 2026-12-01 --no-cache --costs "
    "old/costs.toml --json worklist.json --csv worklist.csv --html worklist.html",
    "plan": "plan herd.db --minutes 45 --hands 2 --transponders 2 --sedations 1 --must Ewe\\ 003 "
    "--today 2026-12-01 --no-cache",
    "plan-files": "plan herd.db --minutes 20 --sedations 1 --sedated Ewe\\ 001 "
    "--today 2026-12-01 --no-cache --json plan.json --html plan.html",
    "retention": "retention herd.db --no-cache",
    "retention-files": "retention herd.db --no-cache --bootstrap 200 --json retention.json --html "
    "retention.html",
    "history": "herd history herd.db Ewe\\ 003",
    "history-json": "herd history herd.db Eskel\\ 005 --json -",
    "check": "herd check herd.db",
    "corrections": "herd corrections herd.db",
    "confirmed": "herd confirmed herd.db confirmed.csv",
    "verify": "verify herd.db --json - --anchor old/head.json",
    "verify-head": "verify herd.db --print-head",
    "calibrate": "calibrate --from confirmed.db --counts counts.csv --out calibration.json "
    "--json calibrated.json",
    "export-csv": "herd export herd.db exported",
    "export-json": "herd export herd.db exported-json --as json",
    "new-from-export": "herd new again.db --from exported",
    "check-restored": "herd check again.db",
    "import-registry-again": "herd import-registry herd.db sample_images/registry.csv "
    "--test-numbers --who Ada",
    "import-registry-against": "herd import-registry herd.db against.csv --who Ada --accept-good",
    "import-scans": "herd import-scans herd.db scans.csv --pair-within 30 --who Ada --json -",
    "import-scans-bad": "herd import-scans herd.db herd.csv",
    "record": "herd record herd.db re-marked --animal Ewe\\ 007 --ear left --text A799 --who Ada",
    "look": "herd look herd.db --animal Ewe\\ 008 --read K12? --usable --grade 2.5 --who Bo",
    "look-of-another": "herd look herd.db --animal Ewe\\ 009 --read K100 --who Bo",
    "give": "herd give herd.db herd.photos/25/SHA.jpg --to Nettel\\ 014 --who Ada",
    "correct-photo": "herd correct photo herd.db herd.photos/5f/SHA.jpg --ear right --who Ada "
    "--why seen\\ again",
    "correct-reading": "herd correct reading herd.db 2 --read K13? --who Bo --why misheard",
    "correct-scan": "herd correct scan herd.db 1 --take-back --who Bo --why another\\ pen",
    "undo": "herd undo herd.db --who Bo",
    "undo-number": "herd undo herd.db 11 --who Bo",
    "decide": "herd decide herd.db --case 1 --what transponder\\ replaced --who Cy",
    "corrections-after": "herd corrections herd.db",
    "check-after": "herd check herd.db",
    "history-after": "herd history herd.db Ewe\\ 008",
    "backup": "herd backup herd.db backup.db",
    "backup-again": "herd backup herd.db backup.db",
    "new-again": "herd new herd.db",
    "no-animal": "herd look herd.db --animal Nobody --read K1 --who Bo",
    "no-record": "worklist gone.db",
    "no-number": "herd undo herd.db 4711 --who Bo",
    "bad-costs": "worklist herd.db --costs bad.toml",
    "bad-day": "worklist herd.db --today soon",
    "bad-anchor": "verify herd.db --anchor herd.csv",
}
RECORD_FILES: Final = (
    HERD,
    "@scans.csv: number,time,reader,animal_id|276000000000003,2026-10-01 09:00:00,pen 2,|"
    ",2026-10-01 09:01:00,pen 2,Ewe 004",
    "@against.csv: animal_id,mark,ear,chip|Ewe 000,K999,left,276000000000003|new 1,K1(,left,|"
    "new 2,K222,left,",
    "@bad.toml: nonsense = 1",
)
PHOTOS: Final = {
    "check": "check old/small.jpg two/no-mark.jpg",
    "check-json": "check old/small.jpg --json - --settings old/settings.toml",
    "read": "read old/small.jpg --registry sample_images/registry.csv --no-second-reader",
    "read-folder": "read two --registry sample_images/registry.csv --no-second-reader --jobs 1 "
    "--csv read.csv --json read.jsonl --worklist",
    "read-resumed": "read two --registry sample_images/registry.csv --no-second-reader --jobs 1 "
    "--json read.jsonl --resume",
    "read-given": "read old/small.jpg --registry herd.csv "
    "--no-second-reader --present pen.txt --alive --sex female --born 2015-2021 --ear left "
    "--reading J[34]?2 --reader Ada --reliability old/reliability.json --explain goat\\ 1 "
    "--settings old/settings.toml --calibration old/calibration.json --dies old/dies.toml",
    "read-steps": "read old/small.jpg --no-second-reader --save-steps steps",
    "read-together": "read --same-animal old/small.jpg two/no-mark.jpg --stage as-found --stage "
    "cleaned --registry sample_images/registry.csv --no-second-reader --budget 8 --json "
    "session.json --save-step-records steps.csv --step-records old/steps.csv",
    "read-no-photo": "read herd.csv gone.jpg --no-second-reader",
    "enhance": "enhance old/small.jpg --out enhanced --without hair --json -",
    "compare": "compare old/small.jpg --claim Eskel\\ 005 --claim J341 --registry "
    "sample_images/registry.csv --settings old/settings.toml --html compare.html --json "
    "compare.json",
    "compare-unknown": "compare old/small.jpg --claim Nobody --claim J341 --registry "
    "sample_images/registry.csv",
    "dossier": "dossier old/small.jpg --claim Eskel\\ 005 --claim J341 --registry "
    "sample_images/registry.csv --settings old/settings.toml --by Ada --question Which? "
    "--authority <b> --out case.html --json -",
    "rerun": "rerun old/case.zip --json -",
    "blind-make": "blind make old/small.jpg --out sheets --key key.json --reader Ada --seed 3",
    "proof-wrong": "proof old/card.jpg --mark K471 --json proof.json --html proof.html "
    "--learn dies.toml --registry sample_images/registry.csv",
    "herd-new": "herd new herd.db",
    "herd-import-registry": "herd import-registry herd.db sample_images/registry.csv "
    "--test-numbers --who Ada --json -",
    "herd-import-photos": "herd import-photos herd.db two --manifest two/photos.csv --copy "
    "--no-second-reader --jobs 1 --test-numbers --who Ada --json -",
    "herd-import-again": "herd import-photos herd.db two --no-second-reader --jobs 1 --who Ada",
    "herd-worklist": "worklist herd.db --limit 5 --today 2026-12-01",
}
PHOTOS_FILES: Final = (
    HERD,
    "@pen.txt: goat 1|goat 3",
    "@two/photos.csv: file,ear,stage,taken_at,chip|small.jpg,left,as-found,2026-10-01 10:00,|"
    "no-mark.jpg,left,clipped,2026-10-01 10:05,999058523759006",
)
