//! A study for lives: three panels, and treatments on them.

#![allow(dead_code, clippy::unwrap_used, reason = "shared by several test programs, each using a part")]

use halfpanel::study::Study;

/// `T1` stands on all three panels, `T2` on two, `Slipway` on the last; on `P2` the treated row is the upper one.
pub const STUDY: &str = r#"
name = "Lives"
currency = "EUR"
[meter]
port = "sim:meter.toml"
profile = "tab-60"
[tile]
name = "Black glass tile 1"
[[tile.value]]
geometry_deg = 60
assigned_gu = 92.4
[washing]
recipe = "boat shampoo 1:100"
look_after = [10, 20, 40]
[[panel]]
id = "P1"
width_mm = 300
height_mm = 300
batch = "G-12"
control = ["C1", "C2"]
[[panel.row]]
names = ["C1", "C2"]
y_mm = 0
height_mm = 100
[[panel.row]]
names = ["A1", "A2"]
y_mm = 100
height_mm = 100
[[panel.row]]
names = ["B1", "B2"]
y_mm = 200
height_mm = 100
[[panel]]
id = "P2"
width_mm = 300
height_mm = 300
control = ["C1", "C2"]
[[panel.row]]
names = ["A1", "A2"]
y_mm = 0
height_mm = 100
[[panel.row]]
names = ["C1", "C2"]
y_mm = 100
height_mm = 100
[[panel.row]]
names = ["B1", "B2"]
y_mm = 200
height_mm = 100
[[panel]]
id = "P3"
width_mm = 300
height_mm = 300
control = ["C1", "C2"]
[[panel.row]]
names = ["C1", "C2"]
y_mm = 0
height_mm = 100
[[panel.row]]
names = ["A1", "A2"]
y_mm = 100
height_mm = 100
[[panel.row]]
names = ["B1", "B2"]
y_mm = 200
height_mm = 100
[[treatment]]
code = "T1"
name = "Harbour Sealer No. 4"
cure_hours = 24
price = "24.00"
content = "500 ml"
[[treatment]]
code = "T2"
name = "Slipway Wax Paste"
caution = "smells strongly of solvent"
[[treatment]]
code = "Slipway"
name = "Grey Heron Hull Coat"
[[patch]]
treatment = "T1"
panel = "P1"
zones = ["A1", "A2"]
[[patch]]
treatment = "T1"
panel = "P2"
zones = ["A1", "A2"]
[[patch]]
treatment = "T1"
panel = "P3"
zones = ["A1", "A2"]
[[patch]]
treatment = "T2"
panel = "P1"
zones = ["B1", "B2"]
[[patch]]
treatment = "T2"
panel = "P2"
zones = ["B1", "B2"]
[[patch]]
treatment = "Slipway"
panel = "P3"
zones = ["B1", "B2"]
"#;

pub fn study() -> Study {
    Study::load("study.toml", STUDY).unwrap_or_else(|problem| panic!("{problem}"))
}
