//! Pieces of track become people.
//!
//! A piece ends where a person is hidden, leaves the picture or is confused with another. Which later piece goes on with
//! him is decided at the end, for all pieces together: every piece has at most one successor, and the links are those whose
//! total cost is least. A link costs by the way from where the person was expected, by the change of speed and of size, by
//! how unlike the clothes are and by the time between; a link that no person can make is none.

use super::boxes::middle;
use super::follower::Follower;
use super::rivals::median_of;
use crate::geometry::PixelPoint;
use crate::skeleton::Joint;
use crate::track::Pose2d;
use crate::units::Seconds;

/// A person hidden for longer is somebody new, seconds.
const LONGEST_GAP_S: f64 = 2.0;

/// Way from the expected place that costs 1, person heights, and so much more for each second of the gap; a link may
/// cost [`FAR`] of it.
const WAY_SHARE: f64 = 0.2;
const WAY_RATE_HZ: f64 = 0.4;
const FAR: f64 = 2.0;

/// Logarithm of the change of size that costs 1, and the largest that a link may have: a pitcher bends.
const SIZE_CHANGE: f64 = 0.3;
const LARGEST_SIZE_CHANGE: f64 = 0.5;

/// Unlikeness of clothes that costs 1, and the largest that a link may have.
const UNLIKE: f64 = 0.4;
const MOST_UNLIKE: f64 = 0.75;

/// Change of speed that costs 1, person heights per second: who walks walks on, who stands by him stands.
const SPEED_CHANGE_HZ: f64 = 0.5;

/// The speed before and after a gap is taken over this time.
const DRIFT_SPAN: Seconds = Seconds(0.12);

/// Each second of the gap costs this much.
const GAP_PER_S: f64 = 0.5;

/// What it costs not to link a piece that could be linked.
const UNLINKED: f64 = 4.0;

/// Indices of the pieces of each person, in order of time; pieces without a pose are nobody's.
pub(super) fn stitched(pieces: &[Follower]) -> Vec<Vec<usize>> {
    let seen: Vec<usize> = (0..pieces.len())
        .filter(|i| !pieces[*i].track().poses.is_empty())
        .collect();
    let costs: Vec<Vec<f64>> = seen
        .iter()
        .map(|a| seen.iter().map(|b| cost(&pieces[*a], &pieces[*b])).collect())
        .collect();
    let successors = cheapest(&costs);
    for (i, piece) in seen.iter().enumerate() {
        let poses = &pieces[*piece].track().poses;
        if let (Some(first), Some(last)) = (poses.first(), poses.last()) {
            let next = successors[i].map(|next| (seen[next], costs[i][next]));
            let size_px = pieces[*piece].size_px();
            tracing::debug!(
                piece,
                from = first.frame,
                to = last.frame,
                size_px,
                ?next,
                "piece of track"
            );
        }
    }
    let mut has_earlier = vec![false; seen.len()];
    for next in successors.iter().flatten() {
        has_earlier[*next] = true;
    }
    let firsts = (0..seen.len()).filter(|i| !has_earlier[*i]);
    firsts
        .map(|first| {
            std::iter::successors(Some(first), |i| successors[*i])
                .map(|i| seen[i])
                .collect()
        })
        .collect()
}

/// What it costs to say that one piece goes on as another; infinite where that cannot be.
fn cost(earlier: &Follower, later: &Follower) -> f64 {
    let (Some(end), Some(start)) = (earlier.track().poses.last(), later.track().poses.first()) else {
        return f64::INFINITY;
    };
    let (Some(box_before), Some(box_after)) = (earlier.boxes().last(), later.boxes().first()) else {
        return f64::INFINITY;
    };
    let gap_s = (start.pts - end.pts).0;
    if gap_s <= 0.0 || gap_s > LONGEST_GAP_S {
        return f64::INFINITY;
    }
    let size_px = earlier.size_px().max(1.0);
    let (speed_before, speed_after) = (
        drift_px_s(earlier.track().poses.iter().rev()),
        drift_px_s(later.track().poses.iter()),
    );
    let ((from_x, from_y), (to_x, to_y)) = (middle(box_before), middle(box_after));
    let (x, y) = (from_x + speed_before.0 * gap_s, from_y + speed_before.1 * gap_s);
    // He may have gone on, or stopped where he was.
    let way = (to_x - x)
        .hypot(to_y - y)
        .min((to_x - from_x).hypot(to_y - from_y))
        / size_px;
    let way = way / (WAY_SHARE + WAY_RATE_HZ * gap_s);
    let speed = (speed_after.0 - speed_before.0).hypot(speed_after.1 - speed_before.1) / size_px;
    let change = |a: f64, b: f64| (a.max(1.0) / b.max(1.0)).ln().abs();
    let size =
        change(earlier.size_px(), later.size_px()).min(change(box_before.height_px, box_after.height_px));
    let unlike = earlier.looks().unlike(later.looks());
    if way > FAR || size > LARGEST_SIZE_CHANGE || unlike.is_some_and(|u| u > MOST_UNLIKE) {
        return f64::INFINITY;
    }
    way + speed / SPEED_CHANGE_HZ + size / SIZE_CHANGE + unlike.unwrap_or(UNLIKE) / UNLIKE + GAP_PER_S * gap_s
}

/// Median speed of the joints over the first [`DRIFT_SPAN`] of some poses, given forward or backward in time.
fn drift_px_s<'a>(mut poses: impl Iterator<Item = &'a Pose2d>) -> (f64, f64) {
    let Some(end) = poses.next() else {
        return (0.0, 0.0);
    };
    let far = |pose: &Pose2d| (pose.pts - end.pts).0.abs() >= DRIFT_SPAN.0;
    let Some(other) = poses.find(|p| far(p)) else {
        return (0.0, 0.0);
    };
    let dt = (other.pts - end.pts).0;
    let speed = |part: fn(PixelPoint) -> f64| {
        let ways = Joint::ALL
            .into_iter()
            .filter_map(|j| Some((part(other.joints[j]?.at) - part(end.joints[j]?.at)) / dt));
        median_of(ways.collect()).unwrap_or(0.0)
    };
    (speed(|p| p.x_px), speed(|p| p.y_px))
}

/// For each row its column, each column once at most, of least total cost; a row without a column costs [`UNLINKED`].
/// The cheapest links first, then exchanged as long as that lowers the total: exact for the few pieces of a clip.
fn cheapest(costs: &[Vec<f64>]) -> Vec<Option<usize>> {
    let count = costs.len();
    let price = |row: usize, column: Option<usize>| column.map_or(UNLINKED, |c| costs[row][c]);
    let mut links: Vec<(f64, usize, usize)> = Vec::new();
    for (row, of_row) in costs.iter().enumerate() {
        links.extend(of_row.iter().enumerate().map(|(column, c)| (*c, row, column)));
    }
    links.retain(|(c, _, _)| *c < UNLINKED);
    links.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut chosen = vec![None; count];
    let mut taken = vec![false; count];
    for (_, row, column) in links {
        if chosen[row].is_none() && !taken[column] {
            chosen[row] = Some(column);
            taken[column] = true;
        }
    }
    let mut better = true;
    while better {
        better = false;
        for a in 0..count {
            for b in a + 1..count {
                let now = price(a, chosen[a]) + price(b, chosen[b]);
                let then = price(a, chosen[b]) + price(b, chosen[a]);
                if then < now - 1e-9 {
                    chosen.swap(a, b);
                    better = true;
                }
            }
        }
    }
    chosen
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The cheapest single link is not part of the cheapest whole.
    #[test]
    fn links_are_cheapest_together() {
        let far = f64::INFINITY;
        let costs = [
            vec![far, far, 1.0, 1.2],
            vec![far, far, 1.1, 3.5],
            vec![far, far, far, 9.0],
            vec![far; 4],
        ];
        assert_eq!(cheapest(&costs), [Some(3), Some(2), None, None]);
    }
}
