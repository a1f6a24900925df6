//! Distances of plane rings by plain geometry, independent of the packer.

type Point2 = [f64; 2];

/// A ring turned about the origin, then moved.
pub(crate) fn ring_placed(ring: &[Point2], turn_deg: f64, at: Point2) -> Vec<Point2> {
    let (s, c) = turn_deg.to_radians().sin_cos();
    ring.iter().map(|p| [c * p[0] - s * p[1] + at[0], s * p[0] + c * p[1] + at[1]]).collect()
}

/// Distance between two filled rings by plain geometry: 0 when edges cross or one holds the
/// other, else the least distance between a corner of one and an edge of the other.
pub(crate) fn ring_distance(a: &[Point2], b: &[Point2]) -> f64 {
    let edges = |r: &[Point2]| -> Vec<(Point2, Point2)> {
        (0..r.len()).map(|i| (r[i], r[(i + 1) % r.len()])).collect()
    };
    let side = |p: Point2, q: Point2, r: Point2| {
        (q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0])
    };
    let holds = |ring: &[Point2], p: Point2| {
        edges(ring)
            .iter()
            .filter(|(a, b)| {
                (a[1] > p[1]) != (b[1] > p[1])
                    && p[0] < a[0] + (p[1] - a[1]) / (b[1] - a[1]) * (b[0] - a[0])
            })
            .count()
            % 2
            == 1
    };
    if holds(a, b[0]) || holds(b, a[0]) {
        return 0.0;
    }
    let to_edge = |p: Point2, (a, b): (Point2, Point2)| {
        let (u, w) = ([b[0] - a[0], b[1] - a[1]], [p[0] - a[0], p[1] - a[1]]);
        let len2 = (u[0] * u[0] + u[1] * u[1]).max(1e-300);
        let t = ((w[0] * u[0] + w[1] * u[1]) / len2).clamp(0.0, 1.0);
        (w[0] - t * u[0]).hypot(w[1] - t * u[1])
    };
    let mut least = f64::INFINITY;
    for &(p, q) in &edges(a) {
        for &(r, s) in &edges(b) {
            if side(p, q, r) * side(p, q, s) < 0.0 && side(r, s, p) * side(r, s, q) < 0.0 {
                return 0.0;
            }
            least = least.min(to_edge(p, (r, s))).min(to_edge(r, (p, q)));
        }
    }
    least
}
