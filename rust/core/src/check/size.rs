//! Size: whether the machine can hold the part at all.

use crate::codes::FindingCode;
use crate::finding::{Finding, Severity};
use crate::part::Part;
use crate::setup::Setup;

/// How far below the plate a part may reach by rounding, mm.
const BELOW_MM: f64 = 1e-6;

pub(super) fn find(part: &Part, setup: &Setup) -> Vec<Finding> {
    let (bounds, m) = (part.bounds(), &setup.machine);
    let size = bounds.size();
    let fault = |message: &str, value: f64, limit: f64, remedy: &str| {
        Finding::new(FindingCode::Size, Severity::Fault, &part.name, message)
            .measured(value, limit, "mm")
            .remedy(remedy)
    };
    let mut out = Vec::new();
    let fits = |x: f64, y: f64| size.x <= x && size.y <= y;
    if !fits(m.width_mm, m.depth_mm) {
        if fits(m.depth_mm, m.width_mm) {
            let message = "it fits the plate only when turned by 90° about z";
            out.push(
                Finding::new(FindingCode::Size, Severity::Note, &part.name, message)
                    .measured(size.x, m.width_mm, "mm"),
            );
        } else {
            let (value, limit) = if size.x - m.width_mm > size.y - m.depth_mm {
                (size.x, m.width_mm)
            } else {
                (size.y, m.depth_mm)
            };
            let message = "it is larger than the plate as it lies";
            out.push(fault(
                message,
                value,
                limit,
                "turn, scale or divide it, or use a larger machine",
            ));
        }
    }
    if bounds.max.z > m.height_mm {
        let message = "it is taller than the machine reaches";
        out.push(fault(message, bounds.max.z, m.height_mm, "tilt, scale or divide it"));
    }
    if bounds.min.z < -BELOW_MM {
        let message = "it reaches below the plate and would lose that part";
        out.push(fault(message, bounds.min.z, 0.0, "lift it onto the plate"));
    }
    out
}
