//! # Reading results: screening, influence, shared conditions
//!
//! Before a factor is quoted: which trials stand out, how much does any one of them matter, and how much of
//! the scatter comes from days and belts rather than from specimens?

use super::cell;

pub(crate) fn run() -> Result<(), surface_severity::Error> {
    // %%
    use surface_severity::campaign::Campaign;
    use surface_severity::screening::Screening;
    use surface_severity::severity::Severity;

    let campaign = Campaign::read_path("../../data-demo/trials.csv")?;
    let plan = Severity::new("dense asphalt concrete");
    let screening = Screening::new().screen(&campaign, &plan)?;
    screening.evcxr_display();
    cell();

    // %% [markdown]
    // A flag is a question to whoever ran the drop; nothing was removed. Where the answers above agree, no flagged trial
    // decides the scale. And the trials that nothing speaks against?
    // %%
    use surface_severity::screening::{LeftOut, influence};

    influence(&plan, &campaign, LeftOut::Trial)?.evcxr_display();
    cell();

    // %% [markdown]
    // The same for whole days: a surface that was tried on one day only cannot do without it.
    // %%
    influence(&plan, &campaign, LeftOut::Day)?.evcxr_display();
    cell();

    // %% [markdown]
    // Trials of one day share weather, of one belt its wear. The fit has them among its random effects, and its limits are
    // the honest ones for another day. How much is it?
    // %%
    use surface_severity::tables;

    tables::variance_components(&plan.fit(&campaign)?, &[]).evcxr_display();
    cell();

    // %% [markdown]
    // Decisions are written down, with their reason and their author, and change the digest of the campaign: a result
    // of the decided table cannot be mistaken for one of the whole.
    // %%
    use surface_severity::campaign::Decisions;

    let flagged: Vec<String> = screening.flagged().map(|v| v.trial_id.clone()).take(1).collect();
    let mut decisions = Decisions::new();
    for trial in &flagged {
        decisions = decisions.set_aside(trial, "the film shows that the clamp slipped", "A. N., test engineer");
    }
    let decided = campaign.with_decisions(&decisions)?;
    println!("{decided}");
    println!("digest before {}\ndigest after  {}", campaign.digest(), decided.digest());
    cell();
    Ok(())
}
