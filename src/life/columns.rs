//! The columns of `observations.csv`, and which kinds of row fill them.

/// A column.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[allow(
    missing_docs,
    reason = "each is described in protocol-notes/observations.md, which a test holds to this list"
)]
pub enum Column {
    Row,
    At,
    Kind,
    Treatment,
    Panel,
    Washes,
    Recipe,
    Amount,
    Coats,
    Batch,
    TreatedClass,
    ControlClass,
    FailedAreaPct,
    Solvent,
    Passes,
    BeadingEndedPass,
    Attribute,
    Verdict,
    By,
    Blind,
    Label,
    SealSha256,
    Salt,
    Photo,
    PhotoSha256,
    TakesBack,
    Note,
}

impl Column {
    /// All columns, in the order in which a new file has them.
    pub const ALL: [Column; 27] = [
        Column::Row,
        Column::At,
        Column::Kind,
        Column::Treatment,
        Column::Panel,
        Column::Washes,
        Column::Recipe,
        Column::Amount,
        Column::Coats,
        Column::Batch,
        Column::TreatedClass,
        Column::ControlClass,
        Column::FailedAreaPct,
        Column::Solvent,
        Column::Passes,
        Column::BeadingEndedPass,
        Column::Attribute,
        Column::Verdict,
        Column::By,
        Column::Blind,
        Column::Label,
        Column::SealSha256,
        Column::Salt,
        Column::Photo,
        Column::PhotoSha256,
        Column::TakesBack,
        Column::Note,
    ];

    /// Its name in the header.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Column::Row => "row",
            Column::At => "at",
            Column::Kind => "kind",
            Column::Treatment => "treatment",
            Column::Panel => "panel",
            Column::Washes => "washes",
            Column::Recipe => "recipe",
            Column::Amount => "amount",
            Column::Coats => "coats",
            Column::Batch => "batch",
            Column::TreatedClass => "treated_class",
            Column::ControlClass => "control_class",
            Column::FailedAreaPct => "failed_area_pct",
            Column::Solvent => "solvent",
            Column::Passes => "passes",
            Column::BeadingEndedPass => "beading_ended_pass",
            Column::Attribute => "attribute",
            Column::Verdict => "verdict",
            Column::By => "by",
            Column::Blind => "blind",
            Column::Label => "label",
            Column::SealSha256 => "seal_sha256",
            Column::Salt => "salt",
            Column::Photo => "photo",
            Column::PhotoSha256 => "photo_sha256",
            Column::TakesBack => "takes_back",
            Column::Note => "note",
        }
    }
}

/// A kind of row.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[allow(
    missing_docs,
    reason = "each is described in protocol-notes/observations.md, which a test holds to this list"
)]
pub enum Kind {
    Applied,
    Stripped,
    Washed,
    Looked,
    Wiped,
    Judged,
    Withdrawn,
    Blinded,
    Revealed,
    Corrected,
}

impl Kind {
    /// All kinds.
    pub const ALL: [Kind; 10] = [
        Kind::Applied,
        Kind::Stripped,
        Kind::Washed,
        Kind::Looked,
        Kind::Wiped,
        Kind::Judged,
        Kind::Withdrawn,
        Kind::Blinded,
        Kind::Revealed,
        Kind::Corrected,
    ];

    /// Its name in the column `kind`.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Kind::Applied => "applied",
            Kind::Stripped => "stripped",
            Kind::Washed => "washed",
            Kind::Looked => "looked",
            Kind::Wiped => "wiped",
            Kind::Judged => "judged",
            Kind::Withdrawn => "withdrawn",
            Kind::Blinded => "blinded",
            Kind::Revealed => "revealed",
            Kind::Corrected => "corrected",
        }
    }

    /// Columns that a row of this kind may fill, beside `row`, `at`, `kind`, `by` and `note`, which all may.
    #[must_use]
    pub const fn columns(self) -> &'static [Column] {
        use Column as C;
        match self {
            Kind::Applied => {
                &[C::Treatment, C::Panel, C::Amount, C::Coats, C::Batch, C::Photo, C::PhotoSha256]
            }
            Kind::Stripped => &[C::Treatment, C::Panel],
            Kind::Washed => &[C::Panel, C::Washes, C::Recipe, C::Amount],
            Kind::Looked => &[
                C::Treatment,
                C::Panel,
                C::Washes,
                C::TreatedClass,
                C::ControlClass,
                C::FailedAreaPct,
                C::Photo,
                C::PhotoSha256,
            ],
            Kind::Wiped => &[
                C::Treatment,
                C::Panel,
                C::Solvent,
                C::Passes,
                C::BeadingEndedPass,
                C::Photo,
                C::PhotoSha256,
            ],
            Kind::Judged => &[
                C::Treatment,
                C::Panel,
                C::Attribute,
                C::Verdict,
                C::Blind,
                C::Label,
                C::Photo,
                C::PhotoSha256,
            ],
            Kind::Withdrawn => &[C::Treatment, C::Panel],
            Kind::Blinded => &[C::Label, C::SealSha256],
            Kind::Revealed => &[C::Treatment, C::Panel, C::Label, C::Salt],
            Kind::Corrected => &[C::TakesBack],
        }
    }

    /// Whether a row of this kind may fill that column.
    #[must_use]
    pub fn has(self, column: Column) -> bool {
        matches!(column, Column::Row | Column::At | Column::Kind | Column::By | Column::Note)
            || self.columns().contains(&column)
    }
}
