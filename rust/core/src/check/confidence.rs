//! Confidence: whether what holds the part does so for as many of the constants that the setup's
//! intervals admit as the user asks.

use super::Evidence;
use crate::codes::FindingCode;
use crate::error::Result;
use crate::finding::{Finding, Severity};

pub(super) fn find(e: &Evidence<'_>) -> Result<Vec<Finding>> {
    let asked = e.setup().limits.confidence;
    let Some(found) = e.confidence.as_ref().filter(|c| c.share < asked) else {
        return Ok(Vec::new());
    };
    let message = format!(
        "tips, columns, the part itself and its bond hold for {:.0} % of the constants that the \
         setup's intervals admit; asked are {:.0} %",
        100.0 * found.share,
        100.0 * asked
    );
    let remedy = match &found.settles {
        Some(constant) => {
            format!("measure {constant}, which would settle most, or support it anew")
        }
        None => "add tips, or turn the part so that its layers are smaller".into(),
    };
    Ok(vec![
        Finding::new(FindingCode::Confidence, Severity::Warning, &e.part.name, message)
            .measured(100.0 * found.share, 100.0 * asked, "%")
            .remedy(remedy),
    ])
}
