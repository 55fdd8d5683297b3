//! Falls in one phone's pictures: spots of a [`FallWatch`] that go down faster and faster, as gravity has it.
//!
//! In a picture a fall is a parabola in time whose bend is gravity times the focal length over the distance. The distance is
//! not known yet, so any bend between those of a near and a far ball will do; that it is a ball, [`crate::ball::drops`] tells
//! from both phones.

use nalgebra::{Matrix3, Vector2, Vector3};

use crate::ball::watch::FallWatch;

/// Distances of a ball that is looked for, metres.
const DISTANCE_M: (f64, f64) = (2.5, 14.0);
/// Speeds of a fall between its first spots, metres per second: slower is not yet off its place in the compared pictures, and
/// faster a ball from four metres.
const SPEED_M_S: (f64, f64) = (0.8, 9.0);
/// A fall may go aside by this share of its way down.
const ASIDE: f64 = 0.4;
/// First and second spot are this far apart, seconds: then the way is long against their errors.
const SEED_S: f64 = 0.0167;
/// A fall without a spot for so long has ended, seconds.
const LOST_S: f64 = 0.021;
/// A spot belongs to a fall that misses it by no more than this, shrunk pixels; and the mean over a whole fall.
const GATE_PX: f64 = 2.2;
const WORST_RMS_PX: f64 = 1.1;
/// Shortest fall that is kept, seconds, and the share of its frames in which it must be seen.
const SHORTEST_S: f64 = 0.10;
const SEEN_SHARE: f64 = 0.6;
/// Spots from which on a fall's own bend is believed.
const OWN_BEND: usize = 10;
/// Room about the bends of the nearest and farthest ball: they are measured.
const BEND_ROOM: f64 = 1.3;
/// Standard gravity, metres per second squared.
pub(crate) const GRAVITY_M_S2: f64 = 9.806_65;

/// A fall: column and row over time, as polynomials about its last instant.
#[derive(Clone, Debug)]
pub(crate) struct Fall {
    /// First and last presentation time, on the phone's own clock, seconds.
    pub(crate) from_s: f64,
    pub(crate) to_s: f64,
    /// Longest extent of what fell, median, pixels.
    pub(crate) long_px: f64,
    /// Column: place, speed; no bend.
    column: [f64; 2],
    /// Row: place, speed, half the bend.
    row: [f64; 3],
}

impl Fall {
    /// Where it is at a presentation time, pixels.
    pub(crate) fn at(&self, pts_s: f64) -> Vector2<f64> {
        let t = pts_s - self.to_s;
        let [x, vx] = self.column;
        let [y, vy, half] = self.row;
        Vector2::new(x + vx * t, y + (vy + half * t) * t)
    }

    /// When it began at rest, as its bend tells, seconds.
    pub(crate) fn began_s(&self) -> f64 {
        self.to_s - self.row[1] / (2.0 * self.row[2]).max(1e-6)
    }
}

/// Place and time of one spot.
type Point = (f64, Vector2<f64>);

/// All falls that one phone saw, in order of time.
pub(crate) fn falls(watch: &FallWatch, focal_px: f64, rate_hz: f64) -> Vec<Fall> {
    let chaser = Chaser {
        watch,
        focal_px,
        rate_hz,
        room_px: GATE_PX * watch.shrink as f64,
    };
    let ahead = (SEED_S * rate_hz).round().max(1.0) as usize;
    let mut used: Vec<Vec<bool>> = watch.seen.iter().map(|s| vec![false; s.spots.len()]).collect();
    let mut found = Vec::new();
    for first in 0..watch.seen.len().saturating_sub(ahead) {
        for a in 0..watch.seen[first].spots.len() {
            if used[first][a] {
                continue;
            }
            for b in 0..watch.seen[first + ahead].spots.len() {
                if used[first + ahead][b] {
                    continue;
                }
                let Some(chain) = chaser.chased((first, a), (first + ahead, b)) else {
                    continue;
                };
                if let Some(fall) = chaser.fall(&chain) {
                    chain.iter().for_each(|(frame, spot)| used[*frame][*spot] = true);
                    found.push(fall);
                    break;
                }
            }
        }
    }
    found
}

struct Chaser<'a> {
    watch: &'a FallWatch,
    focal_px: f64,
    rate_hz: f64,
    room_px: f64,
}

impl Chaser<'_> {
    fn point(&self, (frame, spot): (usize, usize)) -> Point {
        let spot = &self.watch.seen[frame].spots[spot];
        (
            self.watch.seen[frame].pts.0,
            Vector2::new(f64::from(spot.x_px), f64::from(spot.y_px)),
        )
    }

    /// Half the bend of a fall at a distance, pixels per second squared.
    fn half_bend(&self, distance_m: f64) -> f64 {
        GRAVITY_M_S2 / 2.0 * self.focal_px / distance_m
    }

    /// Spots along a fall through two first ones, as indices of frame and spot.
    fn chased(&self, a: (usize, usize), b: (usize, usize)) -> Option<Vec<(usize, usize)>> {
        let (start, next) = (self.point(a), self.point(b));
        let speed = (next.1 - start.1) / (next.0 - start.0);
        let (slow, fast) = (
            SPEED_M_S.0 * self.focal_px / DISTANCE_M.1,
            SPEED_M_S.1 * self.focal_px / DISTANCE_M.0,
        );
        let aside_px = (next.1 - start.1).x.abs();
        if !(slow..=fast).contains(&speed.y) || aside_px > ASIDE * (next.1 - start.1).y + self.room_px {
            return None;
        }
        // Until a fall shows its own bend, it is taken as one in the middle of the distances.
        let usual = self.half_bend(6.0);
        let mut chain = vec![a];
        let mut points = vec![start];
        let mut last_s = start.0;
        for frame in a.0 + 1..self.watch.seen.len() {
            let now_s = self.watch.seen[frame].pts.0;
            if now_s - last_s > LOST_S {
                break;
            }
            let guess = if points.len() >= OWN_BEND {
                parabola(&points)?.at(now_s)
            } else {
                // Through the first two spots, whatever lies between.
                let (t, whole) = (now_s - start.0, next.0 - start.0);
                let falling = speed.y - usual * whole;
                start.1 + Vector2::new(speed.x * t, falling * t + usual * t * t)
            };
            let nearest = (0..self.watch.seen[frame].spots.len())
                .map(|spot| ((frame, spot), (self.point((frame, spot)).1 - guess).norm()))
                .min_by(|p, q| p.1.total_cmp(&q.1))
                .filter(|(_, miss)| *miss <= self.room_px);
            if let Some((at, _)) = nearest {
                chain.push(at);
                points.push(self.point(at));
                last_s = now_s;
            }
        }
        Some(chain)
    }

    /// The fall along a chain, if it is long and even enough and bends as a fall.
    fn fall(&self, chain: &[(usize, usize)]) -> Option<Fall> {
        let points: Vec<Point> = chain.iter().map(|at| self.point(*at)).collect();
        let span_s = points.last()?.0 - points.first()?.0;
        let wanted = (SEEN_SHARE * span_s * self.rate_hz).max(5.0);
        if span_s < SHORTEST_S || (points.len() as f64) < wanted {
            return None;
        }
        let mut long_px: Vec<f32> = chain
            .iter()
            .map(|(frame, spot)| self.watch.seen[*frame].spots[*spot].long_px)
            .collect();
        let middle = long_px.len() / 2;
        let fall = Fall {
            long_px: f64::from(*long_px.select_nth_unstable_by(middle, f32::total_cmp).1),
            ..parabola(&points)?
        };
        let misses = points.iter().map(|(t, at)| (fall.at(*t) - at).norm_squared());
        let rms_px = (misses.sum::<f64>() / points.len() as f64).sqrt();
        let bends = self.half_bend(DISTANCE_M.1) / BEND_ROOM..=self.half_bend(DISTANCE_M.0) * BEND_ROOM;
        (rms_px <= WORST_RMS_PX * self.watch.shrink as f64 && bends.contains(&fall.row[2])).then_some(fall)
    }
}

/// Column and row over time by least squares; `None` for fewer than three instants.
fn parabola(points: &[Point]) -> Option<Fall> {
    let (from_s, to_s) = (points.first()?.0, points.last()?.0);
    let unit_s = (to_s - from_s).max(1e-3);
    let (mut normal, mut by_row, mut by_column) = (Matrix3::zeros(), Vector3::zeros(), Vector3::zeros());
    for (t, at) in points {
        let u = (t - to_s) / unit_s;
        let powers = Vector3::new(1.0, u, u * u);
        normal += powers * powers.transpose();
        by_row += powers * at.y;
        by_column += powers * at.x;
    }
    let row = normal.cholesky()?.solve(&by_row);
    let column = normal
        .fixed_view::<2, 2>(0, 0)
        .into_owned()
        .cholesky()?
        .solve(&Vector2::new(by_column.x, by_column.y));
    Some(Fall {
        from_s,
        to_s,
        long_px: 0.0,
        column: [column[0], column[1] / unit_s],
        row: [row[0], row[1] / unit_s, row[2] / (unit_s * unit_s)],
    })
}
