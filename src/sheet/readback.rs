//! Reads written files back with readers that share no code with the writers (lopdf, roxmltree), for tests.

use lopdf::content::Content;
use lopdf::{Document, Object};

const MM: f64 = 25.4 / 72.0;

/// Corner places of a subpath, mm from the page's top left; curves give their handles and ends.
pub type Loop = Vec<[f64; 2]>;

/// What an independent reader sees on a page.
#[derive(Debug, Default)]
pub struct Seen {
    /// Page width, mm.
    pub width_mm: f64,
    /// Page height, mm.
    pub height_mm: f64,
    /// Filled subpaths.
    pub filled: Vec<Loop>,
    /// Stroked subpaths with their line width, mm.
    pub stroked: Vec<(Loop, f64)>,
    /// The words on the page.
    pub words: String,
}

fn number(object: &Object) -> f64 {
    match object {
        Object::Integer(v) => *v as f64,
        Object::Real(v) => f64::from(*v),
        other => panic!("no number: {other:?}"),
    }
}

/// The pages of a PDF, its graphics operators followed by hand (PDF 32000-1 tables 57, 59 and 60).
pub fn pdf(bytes: &[u8]) -> Vec<Seen> {
    let document = Document::load_mem(bytes).expect("lopdf reads the file");
    document
        .get_pages()
        .iter()
        .map(|(number_of_page, id)| {
            let page = document.get_dictionary(*id).unwrap();
            let media: Vec<f64> = page
                .get(b"MediaBox")
                .unwrap()
                .as_array()
                .unwrap()
                .iter()
                .map(number)
                .collect();
            let (width, height) = (media[2] - media[0], media[3] - media[1]);
            let mut seen = Seen {
                width_mm: width * MM,
                height_mm: height * MM,
                words: document
                    .extract_text(&[*number_of_page])
                    .unwrap_or_default(),
                ..Seen::default()
            };
            let content = Content::decode(&document.get_page_content(*id)).unwrap();
            follow(&content, height, &mut seen);
            seen
        })
        .collect()
}

fn follow(content: &Content, height: f64, seen: &mut Seen) {
    let mut ctm = [1.0, 0.0, 0.0, 1.0, 0.0, 0.0];
    let mut width = 1.0;
    let mut stack = Vec::new();
    let mut loops: Vec<Loop> = Vec::new();
    for operation in &content.operations {
        let name = operation.operator.as_str();
        let n: Vec<f64> = operation
            .operands
            .iter()
            .filter(|o| matches!(o, Object::Integer(_) | Object::Real(_)))
            .map(number)
            .collect();
        let at = |x: f64, y: f64| {
            let px = ctm[0] * x + ctm[2] * y + ctm[4];
            let py = ctm[1] * x + ctm[3] * y + ctm[5];
            [px * MM, (height - py) * MM]
        };
        match name {
            "q" => stack.push((ctm, width)),
            "Q" => (ctm, width) = stack.pop().expect("balanced q and Q"),
            "cm" => {
                let [a, b, c, d, e, f] = ctm;
                ctm = [
                    n[0] * a + n[1] * c,
                    n[0] * b + n[1] * d,
                    n[2] * a + n[3] * c,
                    n[2] * b + n[3] * d,
                    n[4] * a + n[5] * c + e,
                    n[4] * b + n[5] * d + f,
                ];
            }
            "w" => width = n[0] * (ctm[0] * ctm[3] - ctm[1] * ctm[2]).abs().sqrt() * MM,
            "m" => loops.push(vec![at(n[0], n[1])]),
            "l" => loops.last_mut().unwrap().push(at(n[0], n[1])),
            "c" => {
                for pair in n.chunks(2) {
                    loops.last_mut().unwrap().push(at(pair[0], pair[1]));
                }
            }
            "re" => {
                let [x, y, w, h] = [n[0], n[1], n[2], n[3]];
                loops.push(vec![at(x, y), at(x + w, y), at(x + w, y + h), at(x, y + h)]);
            }
            "f" | "f*" => seen.filled.append(&mut loops),
            "S" | "s" => seen.stroked.extend(loops.drain(..).map(|l| (l, width))),
            "n" => loops.clear(),
            _ => {}
        }
    }
}

/// Least and greatest x and y of a loop: [x0, y0, x1, y1].
pub fn extent(places: &Loop) -> [f64; 4] {
    places
        .iter()
        .fold([f64::MAX, f64::MAX, f64::MIN, f64::MIN], |e, p| {
            [
                e[0].min(p[0]),
                e[1].min(p[1]),
                e[2].max(p[0]),
                e[3].max(p[1]),
            ]
        })
}

/// Asserts that two rectangles agree within `tol_mm`.
pub fn same(seen: [f64; 4], wanted: [f64; 4], tol_mm: f64) {
    for (a, b) in seen.iter().zip(wanted) {
        assert!((a - b).abs() <= tol_mm, "seen {seen:?}, wanted {wanted:?}");
    }
}
