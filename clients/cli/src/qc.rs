//! `ringtrue qc`: what all furnaces, ring batches and gauges of a network say together.

pub(crate) mod charts;
pub(crate) mod effects;
pub(crate) mod findings;
pub(crate) mod furnaces;
pub(crate) mod overview;
mod prepared;

use std::path::PathBuf;

use clap::{Args, Subcommand};
use ringtrue_proto::v1::{Conformity, FindingKind, FindingState, StandingOrder};

use crate::command::{Limit, Repeat, Seen};
use crate::failure::Stop;
use crate::session::Session;
use crate::{names, words};

/// What of quality control is wanted.
#[derive(Debug, Subcommand)]
pub(crate) enum Ask {
    /// Shows the network, or one site, in a few figures.
    Overview {
        #[command(flatten)]
        reach: Reach,
    },
    /// Lists furnaces with error, drift and risk, the most pressing first.
    Furnaces(Standings),
    /// Lists what is known of the ring batches' biases.
    Batches {
        #[command(flatten)]
        limit: Limit,
    },
    /// Lists what is known of the gauges' biases, and how they could be known better.
    Gauges {
        #[command(flatten)]
        reach: Reach,
        #[command(flatten)]
        limit: Limit,
    },
    /// Lists what the readings show: drifts, suspect batches and gauges, sites that moved.
    Findings(Wanted),
    /// Shows, acknowledges or resolves one finding.
    #[command(subcommand)]
    Finding(One),
    /// Shows a furnace's control charts, or draws them into a file.
    Charts {
        /// Furnace, for example k2.
        furnace: String,
        /// Only readings from then on: a day (2026-09-01) or a moment in the site's zone.
        #[arg(long, value_name = "DAY")]
        from: Option<String>,
        /// Draws the charts into a file; its name ends in .svg or .png.
        #[arg(long, value_name = "FILE")]
        output: Option<PathBuf>,
    },
}

/// Which sites are looked at.
#[derive(Debug, Clone, Default, Args)]
pub(crate) struct Reach {
    /// Looks at every site you may see, even when RINGTRUE_SITE names one.
    #[arg(long)]
    pub(crate) everywhere: bool,
}

/// Which furnaces are wanted, and in what order.
#[derive(Debug, Args)]
pub(crate) struct Standings {
    #[command(flatten)]
    reach: Reach,
    /// What comes first.
    #[arg(long, value_name = "ORDER", default_value = "risk",
          value_parser = words::one_of(words::STANDING_ORDERS))]
    order: StandingOrder,
    /// Only furnaces that are in tolerance, out of it, undecided, or unknown for want of a reading.
    #[arg(long, value_name = "CONFORMITY", value_parser = words::one_of(words::CONFORMITIES))]
    conformity: Option<Conformity>,
    /// Only furnaces whose name contains this.
    #[arg(long, value_name = "TEXT")]
    search: Option<String>,
    /// Only furnaces with open findings.
    #[arg(long)]
    with_findings: bool,
    #[command(flatten)]
    limit: Limit,
}

/// Which findings are wanted.
#[derive(Debug, Args)]
pub(crate) struct Wanted {
    #[command(flatten)]
    reach: Reach,
    /// Only findings in this state; open and acknowledged ones when left out.
    #[arg(long, value_name = "STATE", value_parser = words::one_of(words::FINDING_STATES))]
    state: Option<FindingState>,
    /// Only findings of this kind.
    #[arg(long, value_name = "KIND", value_parser = words::one_of(words::FINDING_KINDS))]
    kind: Option<FindingKind>,
    /// Only findings about this: a furnace (k2), or a full name such as ringBatches/x7,
    /// sites/porto or sites/porto/gauges/caliper-1.
    #[arg(long, value_name = "NAME")]
    subject: Option<String>,
    #[command(flatten)]
    limit: Limit,
}

/// What to do with one finding.
#[derive(Debug, Subcommand)]
pub(crate) enum One {
    /// Shows a finding with its figures and what to do next.
    Show {
        /// Finding, as `qc findings` lists it.
        finding: String,
    },
    /// Says that a finding was seen and what is being done; it stays on the list.
    Acknowledge(Note),
    /// Closes a finding; it opens anew when later readings show the same again.
    Resolve(Note),
}

/// What is said about a finding.
#[derive(Debug, Args)]
pub(crate) struct Note {
    /// Finding, as `qc findings` lists it.
    finding: String,
    /// What is being done, or why it is closed. No person's name.
    #[arg(long = "note", value_name = "TEXT")]
    text: String,
    /// Initials or staff code; the operator when left out.
    #[arg(long, value_name = "CODE")]
    by: Option<String>,
    #[command(flatten)]
    seen: Seen,
    #[command(flatten)]
    repeat: Repeat,
}

/// Does what was asked.
pub(crate) async fn carry_out(ask: Ask, session: &mut Session<'_, '_>) -> Result<(), Stop> {
    match ask {
        Ask::Overview { reach } => overview::show(&reach, session).await,
        Ask::Furnaces(ask) => furnaces::list(ask, session).await,
        Ask::Batches { limit } => effects::batches(limit.limit, session).await,
        Ask::Gauges { reach, limit } => effects::gauges(&reach, limit.limit, session).await,
        Ask::Findings(ask) => findings::list(ask, session).await,
        Ask::Finding(One::Show { finding }) => findings::show(&finding, session).await,
        Ask::Finding(One::Acknowledge(note)) => findings::acknowledge(note, session).await,
        Ask::Finding(One::Resolve(note)) => findings::resolve(note, session).await,
        Ask::Charts {
            furnace,
            from,
            output,
        } => charts::carry_out(&furnace, from.as_deref(), output.as_deref(), session).await,
    }
}

/// Gives the site looked at, or all of them: quality control looks at the whole network unless told
/// otherwise.
fn parent(reach: &Reach, session: &Session<'_, '_>) -> Result<String, Stop> {
    match &session.site {
        Some(site) if !reach.everywhere => names::site(site).map_err(Stop::Usage),
        _ => Ok("sites/-".to_owned()),
    }
}
