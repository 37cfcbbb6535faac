//! The figure goes into the study's own profile, everything else in it staying as it was written.

use crate::cli::Failure;
use crate::cli::output;
use crate::difference::repeatability::AtGeometry;
use crate::difference::repeatability::for_profile;
use crate::meter::Profile;
use crate::session::folder::Folder;
use crate::study::ProfileChoice;
use crate::study::Study;
use crate::text::edit::with_string;

/// Below so many degrees of freedom a standard deviation may be off by a half.
const FEW_DEGREES: f64 = 9.0;

/// Writes the worst geometry's figure. A profile that comes with the program is copied into the study's
/// folder first, and `study.toml` is told to use the copy.
pub fn write(folder: &Folder, found: &[AtGeometry]) -> Result<(), Failure> {
    let Some((geometry, figure)) = for_profile(found) else {
        return Err(Failure::new(
            "there is no figure to write: the meter was not lifted, or its step hides the scatter",
            "leave `repeatability_gu` out of the profile; the step, `resolution_gu`, stands for what it hides",
        ));
    };
    let _lock = folder.lock("halfpanel repeatability --profile")?;
    let loaded = folder.load()?;
    let (file, copied) = match &loaded.study.profile {
        ProfileChoice::File(file) => (file.clone(), false),
        ProfileChoice::Shipped(name) => (format!("{name}.toml"), true),
    };
    let path = folder.root().join(&file);
    if copied && folder.disk().exists(&path)? {
        return Err(Failure::new(
            format_args!("{} is there already, and the study does not use it", path.display()),
            format!("set `profile = \"{file}\"` in study.toml to use it, or give it another name"),
        ));
    }
    let changed = edited(
        &path.display().to_string(),
        loaded.profile.text(),
        "specification",
        "repeatability_gu",
        &figure,
    )?;
    Profile::load(&path.display().to_string(), &changed)?;
    folder.disk().write_atomic(&path, changed.as_bytes())?;
    if copied {
        use_copy(folder, &file)?;
    }
    // Standard error, so that JSON on standard output stays JSON.
    output::remark(format_args!("{}: repeatability_gu = \"{figure}\", from {geometry}", path.display()));
    if copied {
        output::remark(format_args!("study.toml uses this copy of the profile that comes with the program"));
    }
    let few = |at: &AtGeometry| at.lifted.is_some_and(|l| l.scatter.degrees_of_freedom < FEW_DEGREES);
    if found.iter().any(|at| at.geometry == geometry && few(at)) {
        output::remark("it rests on few readings; take more sittings and write it again");
    }
    Ok(())
}

fn use_copy(folder: &Folder, file: &str) -> Result<(), Failure> {
    let path = folder.root().join("study.toml");
    let name = path.display().to_string();
    let changed = edited(&name, &folder.text(&path)?, "meter", "profile", file)?;
    Study::load(&name, &changed)?;
    Ok(folder.disk().write_atomic(&path, changed.as_bytes())?)
}

fn edited(name: &str, source: &str, table: &str, key: &str, text: &str) -> Result<String, Failure> {
    with_string(source, table, key, text).map_err(|error| {
        Failure::new(
            format_args!("{name} could not be changed: {error}"),
            format!("set `{key} = \"{text}\"` under [{table}] by hand"),
        )
    })
}
