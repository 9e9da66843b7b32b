//! The fewest changes of tool along a swage.
//!
//! The radius runs straight between stations. A tool serves the stretches where its miss keeps within the tolerance (and in a
//! root where it is not larger than the swage); their ends are found exactly, between stations too. The least number of
//! zones is that of always working on as far as any tool reaches; working back from the far end the same way bounds every
//! change from the other side. Between those bounds the changes are free, and dynamic programming over them picks the
//! plan whose largest miss is least, then whose sum of misses is least. A stretch that no tool serves is a zone without one.

use super::tools::{Tool, miss_mm, reach};
use serde::{Deserialize, Serialize};

/// One zone of the plan.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Zone {
    /// Start, mm along.
    pub from_mm: f64,
    /// End, mm along.
    pub to_mm: f64,
    /// Smallest and largest radius of the swage in it, mm.
    pub r_from_to_mm: [f64; 2],
    /// The tool; `None`: no tool keeps within the tolerance here.
    pub tool: Option<String>,
    /// Its radius with paper, mm.
    pub r_tool_mm: Option<f64>,
    /// Largest miss in the zone, mm.
    pub miss_mm: Option<f64>,
    /// Without a tool: the one that comes nearest.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub nearest: Option<Nearest>,
    /// Radius gauge to try in the middle of the zone, mm.
    pub gauge_mm: f64,
}

/// The tool that comes nearest where none serves.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Nearest {
    /// The tool.
    pub tool: String,
    /// Its radius with paper, mm.
    pub r_tool_mm: f64,
    /// Its largest miss in the zone, mm.
    pub miss_mm: f64,
}

/// How the radius runs: places rising, straight between.
#[derive(Debug, Clone, Copy)]
pub struct Course<'a> {
    /// Places, mm.
    pub s_mm: &'a [f64],
    /// Radii there, mm.
    pub r_mm: &'a [f64],
}

/// What a tool may do.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rule {
    /// Turn between the flanks, degrees.
    pub turn_deg: f64,
    /// Largest miss, mm.
    pub tol_mm: f64,
    /// An inner corner.
    pub root: bool,
}

/// Places closer than this are one, mm.
const SAME_MM: f64 = 1e-6;
/// Places tried for a change of tool between its bounds.
const TRIED: usize = 25;

impl Course<'_> {
    /// Radius at a place, mm.
    pub fn at(&self, s: f64) -> f64 {
        let k = self
            .s_mm
            .partition_point(|v| *v <= s)
            .clamp(1, self.s_mm.len() - 1);
        let (a, b) = (self.s_mm[k - 1], self.s_mm[k]);
        let f = if b > a {
            ((s - a) / (b - a)).clamp(0.0, 1.0)
        } else {
            1.0
        };
        self.r_mm[k - 1] * (1.0 - f) + self.r_mm[k] * f
    }
}

/// Least and greatest radius between any two places, in O(1) after O(n log n).
struct Range<'a> {
    course: Course<'a>,
    /// Level k holds least and greatest of 2^k stations from each on.
    levels: Vec<Vec<(f64, f64)>>,
}

impl<'a> Range<'a> {
    fn new(course: Course<'a>) -> Self {
        let mut levels: Vec<Vec<(f64, f64)>> = vec![course.r_mm.iter().map(|r| (*r, *r)).collect()];
        let mut step = 1;
        while 2 * step <= course.r_mm.len() {
            let below = &levels[levels.len() - 1];
            let next = (0..=course.r_mm.len() - 2 * step)
                .map(|i| both(below[i], below[i + step]))
                .collect();
            levels.push(next);
            step *= 2;
        }
        Range { course, levels }
    }

    fn between(&self, from: f64, to: f64) -> (f64, f64) {
        let (a, b) = (self.course.at(from), self.course.at(to));
        let ends = (a.min(b), a.max(b));
        let first = self.course.s_mm.partition_point(|v| *v <= from);
        let end = self.course.s_mm.partition_point(|v| *v < to);
        if first >= end {
            return ends;
        }
        let level = (end - first).ilog2() as usize;
        let of = &self.levels[level];
        both(ends, both(of[first], of[end - (1 << level)]))
    }
}

fn both(a: (f64, f64), b: (f64, f64)) -> (f64, f64) {
    (a.0.min(b.0), a.1.max(b.1))
}

/// Tools by rising radius.
struct Rack {
    /// Radius and place in the user's list.
    radii: Vec<(f64, usize)>,
    rule: Rule,
}

impl Rack {
    fn new(tools: &[Tool], rule: Rule) -> Rack {
        let mut radii: Vec<(f64, usize)> = tools
            .iter()
            .enumerate()
            .map(|(i, t)| (t.radius_mm(), i))
            .collect();
        radii.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        Rack { radii, rule }
    }

    /// Radii of the swage that a tool serves, mm.
    fn serves(&self, tool_mm: f64) -> (f64, f64) {
        let slack = 1e-9 * (1.0 + tool_mm);
        let k = reach(self.rule.turn_deg);
        let miss = if k > 0.0 {
            self.rule.tol_mm / k
        } else {
            f64::INFINITY
        };
        let low = if self.rule.root {
            tool_mm
        } else {
            tool_mm - miss
        };
        (low - slack, tool_mm + miss + slack)
    }

    /// The tool that misses least where the swage has radii from `low` to `high`: its place in `radii`. In a root the
    /// largest that still reaches; when none does, the smallest of all.
    fn best(&self, (low, high): (f64, f64)) -> Option<usize> {
        let n = self.radii.len();
        if self.rule.root {
            let slack = SAME_MM * (1.0 + low);
            let reaching = self.radii.partition_point(|r| r.0 <= low + slack);
            let middle = 0.5 * (low + high);
            let upto = &self.radii[..reaching.max(1).min(n)];
            return upto
                .iter()
                .enumerate()
                .min_by(|a, b| (a.1.0 - middle).abs().total_cmp(&(b.1.0 - middle).abs()))
                .map(|a| a.0);
        }
        let middle = 0.5 * (low + high);
        let k = self.radii.partition_point(|r| r.0 < middle);
        let above = (k < n).then_some(k);
        // Of equal radii the first in the user's list.
        let below = k
            .checked_sub(1)
            .map(|b| self.radii.partition_point(|r| r.0 < self.radii[b].0));
        match (below, above) {
            (Some(b), Some(a)) => Some(if middle - self.radii[b].0 <= self.radii[a].0 - middle {
                b
            } else {
                a
            }),
            (b, a) => b.or(a),
        }
    }

    fn miss(&self, k: usize, (low, high): (f64, f64)) -> f64 {
        let r = self.radii[k].0;
        miss_mm(low, r, self.rule.turn_deg).max(miss_mm(high, r, self.rule.turn_deg))
    }

    fn served(&self, k: usize, (low, high): (f64, f64)) -> bool {
        let (from, to) = self.serves(self.radii[k].0);
        // Runs joined over less than `SAME_MM` differ by that times the slope.
        let slack = SAME_MM * (1.0 + high);
        low >= from - slack && high <= to + slack
    }
}

/// A stretch that one tool serves.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Stretch {
    from: f64,
    to: f64,
}

/// Largest stretches along which the radius stays within `low..=high`, in order.
fn stretches(course: Course, (low, high): (f64, f64)) -> Vec<Stretch> {
    let mut found: Vec<Stretch> = Vec::new();
    let mut add = |from: f64, to: f64| match found.last_mut() {
        Some(last) if from - last.to <= SAME_MM * 1e-3 => last.to = last.to.max(to),
        _ => found.push(Stretch { from, to }),
    };
    for (s, r) in course.s_mm.windows(2).zip(course.r_mm.windows(2)) {
        let (a, b, ra, rb) = (s[0], s[1], r[0], r[1]);
        // Share of the way at which the radius passes a limit.
        let (mut f0, mut f1) = (0.0f64, 1.0f64);
        if ra == rb {
            if ra < low || ra > high {
                continue;
            }
        } else {
            let (x, y) = ((low - ra) / (rb - ra), (high - ra) / (rb - ra));
            f0 = f0.max(x.min(y));
            f1 = f1.min(x.max(y));
            if f0 > f1 {
                continue;
            }
        }
        add(a + f0 * (b - a), a + f1 * (b - a));
    }
    found
}

/// The plan. `course`: two places or more, rising, all finite; `tools`: one or more.
pub fn plan(course: Course, tools: &[Tool], rule: Rule) -> Vec<Zone> {
    let n = course.s_mm.len();
    if n < 2 || tools.is_empty() {
        return Vec::new();
    }
    let rack = Rack::new(tools, rule);
    let mut all: Vec<Stretch> = Vec::new();
    let mut last_mm = f64::NAN;
    for (radius, _) in &rack.radii {
        if *radius != last_mm {
            all.extend(stretches(course, rack.serves(*radius)));
        }
        last_mm = *radius;
    }
    all.retain(|s| s.to - s.from > SAME_MM);
    all.sort_by(|a, b| a.from.total_cmp(&b.from).then(b.to.total_cmp(&a.to)));
    let (start, end) = (course.s_mm[0], course.s_mm[n - 1]);
    let range = Range::new(course);
    let mut zones = Vec::new();
    let mut at = start;
    // Each unbroken run that tools serve, and the bare stretch before it.
    let mut k = 0;
    while k < all.len() {
        let from = all[k].from.max(start);
        let mut to = all[k].to;
        let mut next = k + 1;
        while next < all.len() && all[next].from <= to + SAME_MM {
            to = to.max(all[next].to);
            next += 1;
        }
        if from > at + SAME_MM {
            zones.push(bare(&range, &rack, tools, at, from));
            at = from;
        }
        zones.extend(served(&range, &rack, tools, &all[k..next], (at, to)));
        at = to;
        k = next;
    }
    if end > at + SAME_MM {
        zones.push(bare(&range, &rack, tools, at, end));
    } else if let Some(last) = zones.last_mut() {
        last.to_mm = end;
    }
    zones
}

/// Radius gauges come in halves of a millimetre to 10 mm and in whole ones above (common practice, no source).
fn gauge_mm(r: f64) -> f64 {
    if r < 10.0 {
        ((2.0 * r).round() / 2.0).max(0.5)
    } else {
        r.round()
    }
}

fn bare(range: &Range, rack: &Rack, tools: &[Tool], from: f64, to: f64) -> Zone {
    let r = range.between(from, to);
    Zone {
        from_mm: from,
        to_mm: to,
        r_from_to_mm: [r.0, r.1],
        tool: None,
        r_tool_mm: None,
        miss_mm: None,
        nearest: rack.best(r).map(|k| Nearest {
            tool: tools[rack.radii[k].1].name.clone(),
            r_tool_mm: rack.radii[k].0,
            miss_mm: rack.miss(k, r),
        }),
        gauge_mm: gauge_mm(range.course.at(0.5 * (from + to))),
    }
}

fn with_tool(range: &Range, rack: &Rack, tools: &[Tool], from: f64, to: f64) -> Zone {
    let r = range.between(from, to);
    let best = rack.best(r).unwrap_or(0);
    Zone {
        from_mm: from,
        to_mm: to,
        r_from_to_mm: [r.0, r.1],
        tool: Some(tools[rack.radii[best].1].name.clone()),
        r_tool_mm: Some(rack.radii[best].0),
        miss_mm: Some(rack.miss(best, r)),
        nearest: None,
        gauge_mm: gauge_mm(range.course.at(0.5 * (from + to))),
    }
}

/// Zones of a run that tools serve from end to end; `all` by rising start.
fn served(
    range: &Range,
    rack: &Rack,
    tools: &[Tool],
    all: &[Stretch],
    (from, to): (f64, f64),
) -> Vec<Zone> {
    // Furthest place reached with each number of zones.
    let mut furthest = vec![from];
    let (mut k, mut reach) = (0, from);
    while furthest[furthest.len() - 1] < to - SAME_MM {
        let at = furthest[furthest.len() - 1];
        while k < all.len() && all[k].from <= at + SAME_MM {
            reach = reach.max(all[k].to);
            k += 1;
        }
        if reach <= at {
            break;
        }
        furthest.push(reach);
    }
    let count = furthest.len() - 1;
    // Earliest place from which the rest can still be done with as many.
    let mut back: Vec<Stretch> = all.to_vec();
    back.sort_by(|a, b| b.to.total_cmp(&a.to));
    let mut earliest = vec![to];
    let (mut k, mut reach) = (0, to);
    while earliest.len() < count {
        let at = earliest[earliest.len() - 1];
        while k < back.len() && back[k].to >= at - SAME_MM {
            reach = reach.min(back[k].from);
            k += 1;
        }
        earliest.push(reach);
    }
    earliest.reverse();
    // Change i lies between earliest[i - 1] and furthest[i].
    let mut places: Vec<Vec<f64>> = vec![vec![from]];
    for i in 1..count {
        let (low, high) = (earliest[i - 1].min(furthest[i]), furthest[i]);
        let steps = if high - low > SAME_MM { TRIED } else { 1 };
        places.push(
            (0..steps)
                .map(|j| low + (high - low) * j as f64 / (steps.max(2) - 1) as f64)
                .collect(),
        );
    }
    places.push(vec![to]);
    let worth = |a: f64, b: f64| -> Option<f64> {
        if b <= a + SAME_MM {
            return None;
        }
        let r = range.between(a, b);
        let best = rack.best(r)?;
        rack.served(best, r).then(|| rack.miss(best, r))
    };
    // (largest miss, sum of misses over length, place before) of the best way to each place.
    let mut ways: Vec<Vec<Option<(f64, f64, usize)>>> = vec![vec![Some((0.0, 0.0, 0))]];
    for i in 1..places.len() {
        let here = places[i]
            .iter()
            .map(|b| {
                let mut best: Option<(f64, f64, usize)> = None;
                for (j, (a, way)) in places[i - 1].iter().zip(&ways[i - 1]).enumerate() {
                    let (Some(way), Some(miss)) = (way, worth(*a, *b)) else {
                        continue;
                    };
                    let now = (way.0.max(miss), way.1 + miss * (b - a), j);
                    if best.is_none_or(|old| (now.0, now.1) < (old.0, old.1)) {
                        best = Some(now);
                    }
                }
                best
            })
            .collect();
        ways.push(here);
    }
    let mut cuts = vec![to];
    let mut j = 0;
    for i in (1..places.len()).rev() {
        j = ways[i][j].map_or(0, |w| w.2);
        cuts.push(places[i - 1][j]);
    }
    cuts.reverse();
    cuts.windows(2)
        .map(|w| with_tool(range, rack, tools, w[0], w[1]))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::check::radii::tools::Shape;
    use crate::solve::random::Random;

    fn rods(radii: &[f64]) -> Vec<Tool> {
        radii
            .iter()
            .map(|r| Tool {
                name: format!("R{r}"),
                shape: Shape::Block { radius_mm: *r },
                paper_mm: 0.0,
            })
            .collect()
    }

    /// Brute force: the fewest zones over breaks at a fine lattice of places, by trying every pair. Slow and obvious.
    fn fewest(course: Course, tools: &[Tool], rule: Rule) -> Option<usize> {
        let (from, to) = (course.s_mm[0], course.s_mm[course.s_mm.len() - 1]);
        let n = 400;
        let at = |i: usize| from + (to - from) * i as f64 / n as f64;
        let k = reach(rule.turn_deg);
        let mut least = vec![None; n + 1];
        least[0] = Some(0usize);
        for i in 0..n {
            let Some(used) = least[i] else { continue };
            for tool in tools {
                let r = tool.radius_mm();
                let mut j = i + 1;
                while j <= n {
                    // A lattice step can't be cut: its two ends and the stations inside must fit.
                    let fits = (i..=j).all(|q| {
                        let v = course.at(at(q));
                        (v - r).abs() * k <= rule.tol_mm && (!rule.root || r <= v)
                    });
                    if !fits {
                        break;
                    }
                    if least[j].is_none_or(|l| l > used + 1) {
                        least[j] = Some(used + 1);
                    }
                    j += 1;
                }
            }
        }
        least[n]
    }

    #[test]
    fn as_few_as_brute_force() {
        let mut random = Random::new(7);
        let mut compared = 0;
        for case in 0..60 {
            let n = 3 + (random.uniform() * 8.0) as usize;
            let s: Vec<f64> = (0..n).map(|i| 100.0 * i as f64).collect();
            let mut r = vec![random.between(4.0, 20.0)];
            for _ in 1..n {
                let last = r[r.len() - 1];
                r.push((last + random.between(-4.0, 4.0)).clamp(3.0, 25.0));
            }
            let tools = rods(&[3.0, 4.5, 6.0, 8.0, 9.0, 11.0, 14.0, 17.0, 21.0]);
            let rule = Rule {
                turn_deg: 45.0,
                tol_mm: random.between(0.1, 0.4),
                root: case % 3 == 0,
            };
            let course = Course { s_mm: &s, r_mm: &r };
            let zones = plan(course, &tools, rule);
            assert_eq!(zones[0].from_mm, s[0]);
            assert_eq!(zones[zones.len() - 1].to_mm, s[n - 1]);
            for pair in zones.windows(2) {
                assert_eq!(pair[0].to_mm, pair[1].from_mm);
            }
            for zone in &zones {
                if let Some(miss) = zone.miss_mm {
                    assert!(
                        miss <= rule.tol_mm * (1.0 + 1e-6),
                        "case {case}: {rule:?} {zone:?} {s:?} {r:?}"
                    );
                    for i in 0..=50 {
                        let at = zone.from_mm + (zone.to_mm - zone.from_mm) * f64::from(i) / 50.0;
                        let tool = zone.r_tool_mm.expect("a zone with a miss has a tool");
                        let r = course.at(at);
                        assert!(miss_mm(r, tool, 45.0) <= miss + 1e-9);
                        assert!(!rule.root || tool <= r + 1e-6);
                    }
                }
            }
            // The lattice loses up to a step at each change, so it may need more, never fewer.
            if let Some(least) = fewest(course, &tools, rule) {
                assert!(zones.iter().all(|z| z.tool.is_some()));
                assert!(zones.len() <= least, "{} {least}", zones.len());
                compared += usize::from(zones.len() == least);
            }
        }
        assert!(compared > 15, "{compared}");
    }

    #[test]
    fn a_stretch_without_a_tool_is_named() {
        let (s, r) = ([0.0, 100.0, 200.0], [5.0, 9.0, 5.0]);
        let course = Course { s_mm: &s, r_mm: &r };
        let rule = Rule {
            turn_deg: 90.0,
            tol_mm: reach(90.0),
            root: false,
        };
        let zones = plan(course, &rods(&[5.0, 20.0]), rule);
        let tools: Vec<Option<&str>> = zones.iter().map(|z| z.tool.as_deref()).collect();
        assert_eq!(tools, [Some("R5"), None, Some("R5")]);
        // Within 1 mm of 5: r = 6 is passed at 25 and 175 mm.
        assert!((zones[1].from_mm - 25.0).abs() < 1e-6 && (zones[1].to_mm - 175.0).abs() < 1e-6);
        assert_eq!(
            zones[1].nearest.as_ref().map(|n| n.tool.as_str()),
            Some("R5")
        );
    }

    #[test]
    fn a_tool_that_is_larger_than_a_root_does_not_reach() {
        let (s, r) = ([0.0, 100.0], [7.9, 7.9]);
        let course = Course { s_mm: &s, r_mm: &r };
        let rule = |root| Rule {
            turn_deg: 60.0,
            tol_mm: 0.1,
            root,
        };
        let tools = rods(&[7.5, 8.0]);
        assert_eq!(
            plan(course, &tools, rule(false))[0].tool.as_deref(),
            Some("R8")
        );
        assert_eq!(
            plan(course, &tools, rule(true))[0].tool.as_deref(),
            Some("R7.5")
        );
    }

    #[test]
    fn a_thousand_stations_and_sixty_tools_are_quick() {
        let s: Vec<f64> = (0..1000).map(f64::from).collect();
        let r: Vec<f64> = s
            .iter()
            .map(|s| 12.0 + 8.0 * (s / 40.0).sin() + 0.3 * (s * 1.7).sin())
            .collect();
        let radii: Vec<f64> = (0..60).map(|i| 3.0 + 0.4 * f64::from(i)).collect();
        let tools = rods(&radii);
        let rule = Rule {
            turn_deg: 45.0,
            tol_mm: 0.1,
            root: false,
        };
        let start = std::time::Instant::now();
        let zones = plan(Course { s_mm: &s, r_mm: &r }, &tools, rule);
        // The budget is 50 ms on a free core; a busy one gets four times that.
        assert!(start.elapsed().as_millis() < 200, "{:?}", start.elapsed());
        assert!(zones.len() > 20);
    }
}
