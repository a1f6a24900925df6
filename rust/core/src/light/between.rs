//! Between the centres of pixels: cubics through the logarithms of doses (Catmull & Rom 1974, from
//! memory), since light falls off like a normal spread sideways and exponentially along z.

/// The cubic between the second and the third of four values, at 0–1 of the way.
pub(super) fn value([a, b, c, d]: [f64; 4], t: f64) -> f64 {
    let (one, two, three) = (c - a, 2.0 * a - 5.0 * b + 4.0 * c - d, 3.0 * (b - c) + d - a);
    b + 0.5 * t * (one + t * (two + t * three))
}

/// Where on the way from the second to the third value the cubic has a value between the two, 0–1.
pub(super) fn place(values: [f64; 4], of: f64) -> f64 {
    let rises = values[2] > values[1];
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..24 {
        let middle = 0.5 * (low + high);
        if (value(values, middle) < of) == rises { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}
