//! What is due, soonest first.

use ringtrue_fleet::act::ActSubject;
use ringtrue_fleet::calendar::days_between;
use ringtrue_fleet::due::{Due, DueState, Planner, Reason, Step, StepKind, StepState};
use ringtrue_fleet::key::SiteId;
use ringtrue_fleet::site::Site;
use ringtrue_fleet::violation::Violations;
use ringtrue_proto::v1;
use ringtrue_store::PagePart;
use tonic::Request;

use super::super::access::{Method, method};
use super::super::caller::Asking;
use super::super::fields::{calendar_date, settled, site_or_all, timestamp};
use super::super::page::{Order, Paging};
use super::super::schedules::{task_kind, task_message};
use super::existing;
use crate::app::{App, Error};
use crate::sites_in_turn::SitesInTurn;

const LIST: Method = method("/ringtrue.v1.CareService/ListDueTasks");

/// Sites whose records are read at once.
const SITES_AT_ONCE: usize = 100;

/// A task with its site.
struct Placed {
    site: Site,
    due: Due,
}

impl Placed {
    /// Its place in the list: soonest first.
    fn place(&self) -> Vec<PagePart> {
        let first = jiff::civil::Date::constant(2000, 1, 1);
        vec![
            PagePart::Number(i64::from(days_between(first, self.due.act_on()))),
            PagePart::Number(self.due.task as i64),
            PagePart::Text(self.site.key.to_string()),
            PagePart::Text(self.due.subject.name()),
        ]
    }
}

pub(super) async fn list(
    app: &App,
    request: Request<v1::ListDueTasksRequest>,
) -> Result<v1::ListDueTasksResponse, Error> {
    let asking = Asking::of(LIST, &request)?;
    let asked = request.into_inner();
    let mut violations = Violations::default();
    let site = site_or_all(&asked.parent, &mut violations);
    let mut tasks = Vec::new();
    for (at, number) in asked.tasks.iter().enumerate().take(MOST_TASKS) {
        tasks.extend(task_kind(&format!("tasks[{at}]"), *number, &mut violations));
    }
    let wanted: Vec<String> = asked.tasks.iter().map(ToString::to_string).collect();
    let filters = [
        asked.parent.as_str(),
        &wanted.join(","),
        if asked.all { "all" } else { "due" },
        &asked.subject,
    ];
    let paging = Paging::read(
        LIST,
        &filters,
        Order::Soonest,
        asked.page_size,
        &asked.page_token,
        &mut violations,
    );
    let paging = settled(Some(paging), violations)?;
    let scope = asking.site_or_network(site.as_ref())?;
    let now = app.clock.now();
    let mut read = app.store.read(&scope);
    // A whole network takes seconds, with pauses for what is due.
    if let Some(site) = &site {
        read = read.on_one_connection();
        existing(&read, site).await?;
    }
    let mut planner = Planner::default();
    let mut listed = Vec::new();
    let mut sites = SitesInTurn::of(&read, site.as_ref(), None).await?;
    let mut some: Vec<SiteId> = Vec::new();
    loop {
        let next = sites.next().await?;
        let is_last = next.is_none();
        some.extend(next.map(|site| site.key));
        if some.len() < SITES_AT_ONCE && !is_last {
            continue;
        }
        for records in read.site_records(&some).await? {
            for due in planner.due_tasks(&records, now) {
                let wanted = (asked.all || due.state != DueState::Current || due.has_open_step())
                    && (tasks.is_empty() || tasks.contains(&due.task))
                    && (asked.subject.is_empty() || due.subject.name() == asked.subject);
                if wanted {
                    listed.push(Placed {
                        site: records.site.clone(),
                        due,
                    });
                }
            }
        }
        some.clear();
        if is_last {
            break;
        }
    }
    listed.sort_by_cached_key(Placed::place);
    if !paging.page.after.is_empty() {
        listed.retain(|placed| placed.place() > paging.page.after);
    }
    let (tasks, next_page_token) = paging.cut(&listed, Placed::place, |placed| {
        message(&placed.site, &placed.due)
    });
    Ok(v1::ListDueTasksResponse {
        tasks,
        next_page_token,
    })
}

/// There are no more kinds of tasks.
const MOST_TASKS: usize = 16;

/// What is due for a subject, after something was recorded about it.
pub(super) async fn next_of(
    app: &App,
    read: &ringtrue_store::Read,
    site: &SiteId,
    task: Option<ringtrue_fleet::task::TaskKind>,
    subject: Option<&ActSubject>,
) -> Result<Option<v1::DueTask>, Error> {
    let now = app.clock.now();
    let (Some(task), Some(subject)) = (task, subject) else {
        return Ok(None);
    };
    let records = read.site_records(std::slice::from_ref(site)).await?;
    Ok(records.into_iter().next().and_then(|records| {
        ringtrue_fleet::due::due_tasks(&records, now)
            .iter()
            .find(|due| due.task == task && due.subject.name() == subject.name())
            .map(|due| message(&records.site, due))
    }))
}

pub(super) fn message(site: &Site, due: &Due) -> v1::DueTask {
    let state = match due.state {
        DueState::Current => v1::DueState::Current,
        DueState::DueSoon => v1::DueState::DueSoon,
        DueState::Due => v1::DueState::Due,
        DueState::Overdue => v1::DueState::Overdue,
    };
    v1::DueTask {
        task: task_message(due.task).into(),
        site: site.key.name(),
        subject: due.subject.name(),
        site_display_name: site.details.display_name.clone(),
        subject_display_name: due.subject_display_name.clone(),
        due_date: Some(calendar_date(due.due_on)),
        grace_end_date: Some(calendar_date(due.grace_ends_on)),
        state: state.into(),
        lapsed: due.lapsed,
        steps: due.steps.iter().copied().map(step).collect(),
        reasons: due.reasons.iter().map(reason).collect(),
        next_step: due.next_step.clone(),
        rule_words: due.rule_words.clone(),
        rule: due.rule_name.clone(),
        last_done_time: due.last_done_at.map(timestamp),
        cautions: due.task.cautions(),
        time_zone: site.details.time_zone.clone(),
    }
}

pub(super) fn reason(reason: &Reason) -> v1::Reason {
    v1::Reason {
        code: reason.code.to_owned(),
        text: reason.text.clone(),
    }
}

fn step(step: Step) -> v1::CalibrationStep {
    let kind = match step.kind {
        StepKind::Fire => v1::StepKind::Fire,
        StepKind::Measure => v1::StepKind::Measure,
        StepKind::EnterSetpoint => v1::StepKind::EnterSetpoint,
        StepKind::Verify => v1::StepKind::Verify,
    };
    let state = match step.state {
        StepState::Later => v1::StepState::Later,
        StepState::Open => v1::StepState::Open,
        StepState::Late => v1::StepState::Late,
        StepState::Done => v1::StepState::Done,
        StepState::NotNeeded => v1::StepState::NotNeeded,
    };
    v1::CalibrationStep {
        kind: kind.into(),
        state: state.into(),
        due_date: step.due_on.map(calendar_date),
    }
}
