"""What the ward knows and the device does not: drains, corrections and annotations, from registry files."""

from __future__ import annotations

from schemas.table import INSTANT, REAL, TEXT, TEXTS, Column, Table, words_of
from schemas.vocabulary import AnnotationKind, RemovalReason, Side

_STANDING: tuple[Column, ...] = (
    Column(
        "exported_at",
        INSTANT,
        "When the registry export was made; the latest row of a drain stands.",
        nullable=False,
    ),
    Column("file_sha256", TEXT, "SHA-256 of the registry file.", nullable=False),
)

REGISTRY_DRAIN = Table(
    "registry_drain",
    "Private. One row a drain as the hospital's registry has it; corrected rows replace earlier ones.",
    (
        Column("site", TEXT, "Hospital.", nullable=False),
        Column("drain_key", TEXT, "The hospital's own key of the drain.", nullable=False),
        Column("patient_key", TEXT, "The hospital's own key of the patient.", nullable=False),
        Column("unit", TEXT, "Ward.", nullable=False),
        Column("tube_in_at", INSTANT, "Tube in.", nullable=False),
        Column("tube_out_at", INSTANT, "Tube out; null: not recorded."),
        Column("uses", TEXTS, "Device uses that served the drain, as device/session; null: not given."),
        Column("devices", TEXTS, "Serials, where the uses are not given."),
        Column("procedure", TEXT, "The site's own word."),
        Column("procedure_end_at", INSTANT, "When surgery ended."),
        Column("side", TEXT, "Side of the chest.", words=words_of(Side)),
        Column("tube_french", REAL, "French gauge.", "[Ch]", least=1, most=60),
        Column("removal_reason", TEXT, "Why the tube came out.", words=words_of(RemovalReason)),
        Column("age_years", REAL, "Age.", "a", least=0, most=130),
        Column("sex", TEXT, "Sex, the site's own word."),
        Column("bmi", REAL, "Body mass index.", "kg/m2", least=5, most=150),
        Column(
            "fev1_pct",
            REAL,
            "Forced expiratory volume in one second, % of predicted.",
            "%",
            least=0,
            most=250,
        ),
        Column("adhesions", TEXT, "Pleural adhesions, the site's own word."),
        Column("reinserted_at", INSTANT, "A drain was put in again."),
        Column("readmitted_at", INSTANT, "The patient came back."),
        Column("pneumothorax_after", TEXT, "Pneumothorax after removal, the site's own word."),
        *_STANDING,
    ),
    key=("site", "drain_key"),
)

ANNOTATION = Table(
    "annotation",
    "Private. One row an annotation by staff; decides where the log cannot.",
    (
        Column("site", TEXT, "Hospital.", nullable=False),
        Column("drain_key", TEXT, "The hospital's own key of the drain.", nullable=False),
        Column("started_at", INSTANT, "From.", nullable=False),
        Column("ended_at", INSTANT, "To (exclusive); null: a moment."),
        Column("kind", TEXT, "What it is.", nullable=False, words=words_of(AnnotationKind)),
        Column("author_role", TEXT, "Role of who wrote it."),
        Column("note", TEXT, "Free text; never published."),
        *_STANDING,
    ),
)
