//! Supports changed by hand: tips listed, added, moved and removed, each time judged anew.
//!
//! What only the part decides (its layers, loads and ways down) is found once. A change then leads
//! the columns down again, solves the frame, since a tip anywhere shifts load to all others, and
//! looks only at the layers that the change altered.

use super::building::Building;
use super::judge::Judge;
use super::loads::Pool;
use super::tips::{Refusal, Site};
use super::{Support, needs};
use crate::context::Context;
use crate::error::{Error, Result};
use crate::finding::{Done, Report};
use crate::mesh::Point;
use crate::part::{Part, Tip};
use std::sync::Arc;

/// Supports under change. Every change gives a new one and leaves the old as it was, so that
/// taking a step back costs nothing.
#[derive(Clone)]
pub struct Edit {
    building: Arc<Building>,
    sites: Vec<Site>,
    judge: Judge,
    done: Done<Part>,
    looked_at: usize,
}

impl std::fmt::Debug for Edit {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Edit").field("part", &self.done.value.name).finish_non_exhaustive()
    }
}

impl Support {
    /// Opens a part's supports for changes by hand. It takes over the tips that are there; columns
    /// are led down anew by these options. A part without supports begins without tips.
    ///
    /// # Errors
    /// As [`apply`](crate::Pass::apply), and [`Error::Pass`] when a tip of the part has no
    /// room by these options.
    pub fn edit(&self, part: Part, ctx: &Context) -> Result<Edit> {
        self.validate()?;
        let tips = part.supports.as_ref().map_or_else(Vec::new, |s| s.tips.clone());
        let part = Part { supports: None, ..part };
        let building = Building::new(self, &part, &ctx.stage("survey", 0.0, 0.7))?;
        let sites = tips.iter().map(|t| site(&building, &t.contact)).collect::<Result<_>>()?;
        let done = Done { value: part, report: Report::new("support", "") };
        let building = Arc::new(building);
        let edit = Edit { building, sites, judge: Judge::default(), done, looked_at: 0 };
        edit.settled(&ctx.stage("settle", 0.7, 1.0))
    }
}

impl Edit {
    /// The tips as they are now.
    pub fn tips(&self) -> &[Tip] {
        self.done.value.supports.as_ref().map_or(&[], |s| &s.tips)
    }

    /// The part with its supports as they are now, and all that is to be said about them.
    pub fn done(&self) -> &Done<Part> {
        &self.done
    }

    /// How many layers the last change made it look at again.
    pub fn layers_looked_at(&self) -> usize {
        self.looked_at
    }

    /// One tip more, on the underside nearest above or below a place.
    ///
    /// # Errors
    /// [`Error::Pass`] when there is no underside in line with the place, it is to be kept clean,
    /// or there is no room for neck and column; [`Error::Cancelled`].
    pub fn add(&self, place: Point, ctx: &Context) -> Result<Edit> {
        let mut next = self.clone();
        next.sites.push(site(&self.building, &place)?);
        next.settled(ctx)
    }

    /// A tip moved to the underside nearest above or below a place.
    ///
    /// # Errors
    /// As [`Edit::add`], and [`Error::Value`] when there is no such tip.
    pub fn moved(&self, tip: usize, place: Point, ctx: &Context) -> Result<Edit> {
        self.known(tip)?;
        let mut next = self.clone();
        next.sites[tip] = site(&self.building, &place)?;
        next.settled(ctx)
    }

    /// The supports without some tips; those that stay keep their order.
    ///
    /// # Errors
    /// [`Error::Value`] when there is no such tip; [`Error::Cancelled`].
    pub fn without(&self, tips: &[usize], ctx: &Context) -> Result<Edit> {
        tips.iter().try_for_each(|&tip| self.known(tip))?;
        let mut next = self.clone();
        next.sites = (0..self.sites.len())
            .filter(|i| !tips.contains(i))
            .map(|i| self.sites[i].clone())
            .collect();
        next.settled(ctx)
    }

    fn known(&self, tip: usize) -> Result<()> {
        if tip < self.sites.len() {
            return Ok(());
        }
        Err(Error::Value {
            place: "tip".into(),
            value: tip.to_string(),
            expected: format!("one of the {} tips, counted from 0", self.sites.len()),
        })
    }

    /// Builds and judges what the sites ask for.
    fn settled(mut self, ctx: &Context) -> Result<Edit> {
        let b = Arc::clone(&self.building);
        let shared = needs::shared(&b.sites(), &b.survey, &self.sites);
        let none = Pool::default();
        let outcome = b.prove(&mut self.sites, &shared, &none, &mut self.judge, ctx)?;
        self.looked_at = outcome.looked_at;
        let mut report = Report::new("support", &b.part.name);
        let value = b.finished(outcome, &[], &self.judge, &mut report, ctx);
        self.done = Done { value, report };
        Ok(self)
    }
}

/// A tip at a place that the user chose.
fn site(building: &Building, place: &Point) -> Result<Site> {
    building.sites().at(place).map_err(|why| {
        let (problem, remedy) = match why {
            Refusal::KeepClean => ("is to be kept clean", "choose a place beside it"),
            Refusal::Enclosed => (
                "lies in a closed cavity, out of which no support could be taken",
                "choose a place outside",
            ),
            Refusal::NoWay => (
                "has no underside in line with it, or no room for neck and column",
                "choose another place, or use thinner columns or a smaller gap",
            ),
        };
        Error::Pass {
            pass: "support",
            part: building.part.name.clone(),
            problem: format!(
                "the place ({:.2}, {:.2}, {:.2}) {problem}",
                place.x, place.y, place.z
            ),
            remedy: remedy.into(),
        }
    })
}
