//! Drawing in pixels: layers of plotters' SVG output, text that keeps to its margins.

use plotters::coord::Shift;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};
use unicode_width::UnicodeWidthChar;

use crate::error::{ErrorKind, Result};
use crate::tables::{clean, escape_html};

/// The backend writes whole units; ten of them a pixel keep marks where they belong.
const SUB: f64 = 10.0;
const SUB_TEXT: &str = "0.1";

pub(crate) const INK: RGBColor = RGBColor(0x1a, 0x1a, 0x1a);
pub(crate) const MUTED: RGBColor = RGBColor(0x55, 0x55, 0x55);
pub(crate) const RULE: RGBColor = RGBColor(0xd4, 0xd4, 0xd4);
pub(crate) const GROUND: RGBColor = RGBColor(0xff, 0xff, 0xff);
/// Bands behind lines.
pub(crate) const SHADE: RGBColor = RGBColor(0xc4, 0xcc, 0xd4);
pub(crate) const BLUE: RGBColor = RGBColor(0x00, 0x72, 0xb2);
pub(crate) const VERMILION: RGBColor = RGBColor(0xd5, 0x5e, 0x00);
pub(crate) const GREEN: RGBColor = RGBColor(0x00, 0x9e, 0x73);
/// The reddish purple of the palette, darker: as a small mark on white it needs the contrast.
pub(crate) const PLUM: RGBColor = RGBColor(0xa8, 0x4f, 0x80);
pub(crate) const SKY: RGBColor = RGBColor(0x56, 0xb4, 0xe9);

/// Where a text hangs on its point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Anchor {
    Start,
    Middle,
    End,
}

/// A mark whose meaning is its shape.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Shape {
    Circle,
    Square,
    Diamond,
    TriangleUp,
    TriangleDown,
    Cross,
    /// Bounded from below: the quantity lies to the right.
    ArrowRight,
    /// Bounded from above: the quantity lies to the left.
    ArrowLeft,
    /// A hollow circle.
    Ring,
    /// A vertical tick.
    Tick,
    /// A piece of a line, for keys.
    Stroke,
    /// A piece of a dashed line, for keys.
    Dashes,
}

/// What draws into one layer.
pub(crate) struct Pen<'a> {
    area: DrawingArea<SVGBackend<'a>, Shift>,
}

type Drawing = std::result::Result<(), DrawingAreaErrorKind<std::io::Error>>;

#[allow(clippy::cast_possible_truncation)]
fn unit(pixels: f64) -> i32 {
    // Saturating; coordinates are a few thousand pixels at most.
    (pixels * SUB).round() as i32
}

#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
fn length(pixels: f64) -> u32 {
    (pixels * SUB).round().max(0.0) as u32
}

impl Pen<'_> {
    pub(crate) fn line(&self, from: (f64, f64), to: (f64, f64), colour: RGBColor, width: f64) -> Drawing {
        self.path(&[from, to], colour, width)
    }

    pub(crate) fn path(&self, points: &[(f64, f64)], colour: RGBColor, width: f64) -> Drawing {
        let points: Vec<(i32, i32)> = points.iter().map(|&(x, y)| (unit(x), unit(y))).collect();
        self.area.draw(&PathElement::new(points, colour.stroke_width(length(width))))
    }

    /// Short strokes of `on` pixels with gaps of `off` between, along straight lines.
    pub(crate) fn dashed(&self, points: &[(f64, f64)], colour: RGBColor, width: f64, on: f64, off: f64) -> Drawing {
        let mut at = 0.0;
        for pair in points.windows(2) {
            let ((x0, y0), (x1, y1)) = (pair[0], pair[1]);
            let span = (x1 - x0).hypot(y1 - y0);
            if span <= 0.0 {
                continue;
            }
            let point = |d: f64| (x0 + (x1 - x0) * d / span, y0 + (y1 - y0) * d / span);
            let mut from = 0.0;
            while from < span {
                let phase = (at + from) % (on + off);
                let rest = if phase < on { on - phase } else { on + off - phase };
                let to = (from + rest).min(span);
                if phase < on {
                    self.line(point(from), point(to), colour, width)?;
                }
                // Rounding must not make the step vanish.
                from = to.max(from + 0.01);
            }
            at += span;
        }
        Ok(())
    }

    pub(crate) fn polygon(&self, points: &[(f64, f64)], colour: RGBColor, opacity: f64) -> Drawing {
        let points: Vec<(i32, i32)> = points.iter().map(|&(x, y)| (unit(x), unit(y))).collect();
        self.area.draw(&Polygon::new(points, colour.mix(opacity)))
    }

    pub(crate) fn rectangle(&self, from: (f64, f64), to: (f64, f64), colour: RGBColor) -> Drawing {
        self.area.draw(&Rectangle::new([(unit(from.0), unit(from.1)), (unit(to.0), unit(to.1))], colour.filled()))
    }

    /// One element a mark.
    pub(crate) fn mark(&self, shape: Shape, (x, y): (f64, f64), r: f64, colour: RGBColor, opacity: f64) -> Drawing {
        let at =
            |points: &[(f64, f64)]| -> Vec<(f64, f64)> { points.iter().map(|(a, b)| (x + a * r, y + b * r)).collect() };
        let turned = |sign: f64| {
            at(&[
                (-1.4 * sign, -0.3),
                (0.1 * sign, -0.3),
                (0.1 * sign, -1.0),
                (1.4 * sign, 0.0),
                (0.1 * sign, 1.0),
                (0.1 * sign, 0.3),
                (-1.4 * sign, 0.3),
            ])
        };
        let points = match shape {
            Shape::Circle => {
                return self.area.draw(&Circle::new((unit(x), unit(y)), length(r), colour.mix(opacity).filled()));
            }
            Shape::Ring => {
                let style = colour.mix(opacity).stroke_width(length(1.3));
                return self.area.draw(&Circle::new((unit(x), unit(y)), length(r), style));
            }
            Shape::Dashes => {
                return self.dashed(&[(x - 1.8 * r, y), (x + 1.8 * r, y)], colour, 1.4, 3.5, 2.5);
            }
            Shape::Stroke => at(&[(-1.7, -0.3), (1.7, -0.3), (1.7, 0.3), (-1.7, 0.3)]),
            Shape::Square => at(&[(-0.9, -0.9), (0.9, -0.9), (0.9, 0.9), (-0.9, 0.9)]),
            Shape::Diamond => at(&[(0.0, -1.35), (1.35, 0.0), (0.0, 1.35), (-1.35, 0.0)]),
            Shape::TriangleUp => at(&[(0.0, -1.2), (1.15, 0.85), (-1.15, 0.85)]),
            Shape::TriangleDown => at(&[(0.0, 1.2), (1.15, -0.85), (-1.15, -0.85)]),
            Shape::Cross => at(&[
                (-0.35, -1.1),
                (0.35, -1.1),
                (0.35, -0.35),
                (1.1, -0.35),
                (1.1, 0.35),
                (0.35, 0.35),
                (0.35, 1.1),
                (-0.35, 1.1),
                (-0.35, 0.35),
                (-1.1, 0.35),
                (-1.1, -0.35),
                (-0.35, -0.35),
            ]),
            Shape::ArrowRight => turned(1.0),
            Shape::ArrowLeft => turned(-1.0),
            Shape::Tick => at(&[(-0.18, -1.6), (0.18, -1.6), (0.18, 1.6), (-0.18, 1.6)]),
        };
        self.polygon(&points, colour, opacity)
    }

    fn put(&self, text: &str, (x, y): (f64, f64), style: TextStyle<'_>) -> Drawing {
        self.area.draw(&Text::new(clean(text), (unit(x), unit(y)), style))
    }

    fn style(size: f64, bold: bool, colour: RGBColor, anchor: Anchor) -> TextStyle<'static> {
        let weight = if bold { FontStyle::Bold } else { FontStyle::Normal };
        // The backend divides sizes by 1.24.
        let font = FontDesc::new(FontFamily::SansSerif, size * SUB * 1.24, weight);
        let across = match anchor {
            Anchor::Start => HPos::Left,
            Anchor::Middle => HPos::Center,
            Anchor::End => HPos::Right,
        };
        let mut style = TextStyle::from(font).pos(Pos::new(across, VPos::Center));
        style.color = colour.to_backend_color();
        style
    }

    /// Text whose middle height is at `y`.
    pub(crate) fn text(&self, text: &str, at: (f64, f64), anchor: Anchor, size: f64, colour: RGBColor) -> Drawing {
        self.put(text, at, Self::style(size, false, colour, anchor))
    }

    pub(crate) fn bold(&self, text: &str, at: (f64, f64), anchor: Anchor, size: f64, colour: RGBColor) -> Drawing {
        self.put(text, at, Self::style(size, true, colour, anchor))
    }

    /// Text running upwards, centred on the point.
    pub(crate) fn upwards(&self, text: &str, at: (f64, f64), size: f64, colour: RGBColor) -> Drawing {
        self.put(text, at, Self::style(size, false, colour, Anchor::Middle).transform(FontTransform::Rotate270))
    }

    /// Lines of text, the first with its middle at `y`.
    pub(crate) fn lines(
        &self,
        lines: &[String],
        (x, y): (f64, f64),
        anchor: Anchor,
        size: f64,
        step: f64,
        colour: RGBColor,
    ) -> Drawing {
        let mut at = y;
        for line in lines {
            self.text(line, (x, at), anchor, size, colour)?;
            at += step;
        }
        Ok(())
    }
}

/// Named layers, drawn one over the other.
#[derive(Debug, Default)]
pub(crate) struct Canvas {
    layers: Vec<(&'static str, String)>,
}

impl Canvas {
    /// Draws a layer on top of those before.
    pub(crate) fn layer(&mut self, name: &'static str, draw: impl FnOnce(&Pen<'_>) -> Drawing) -> Result<()> {
        let mut buffer = String::new();
        {
            let area = SVGBackend::with_string(&mut buffer, (100_000, 1_000_000)).into_drawing_area();
            let pen = Pen { area };
            draw(&pen).and_then(|()| pen.area.present()).map_err(|e| {
                // A string takes any drawing; only the type of the backend allows for an error.
                ErrorKind::not_saved("picture", &e)
            })?;
        }
        let inside = buffer.split_once('\n').map_or("", |(_, rest)| rest);
        let inside = inside.rsplit_once("</svg>").map_or(inside, |(inside, _)| inside);
        self.layers.push((name, inside.to_owned()));
        Ok(())
    }

    /// The finished document.
    pub(crate) fn finish(&self, id: &str, (width, height): (f64, f64), title: &str, description: &str) -> String {
        let (title, description) = (escape_html(title), escape_html(description));
        let mut out = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" id=\"{id}\" role=\"img\" aria-labelledby=\"{id}-title {id}-desc\" \
             width=\"{width:.0}\" height=\"{height:.0}\" viewBox=\"0 0 {width:.0} {height:.0}\" \
             style=\"max-width:100%;height:auto\">\n<title id=\"{id}-title\">{title}</title>\n\
             <desc id=\"{id}-desc\">{description}</desc>\n\
             <rect x=\"0\" y=\"0\" width=\"{width:.0}\" height=\"{height:.0}\" fill=\"#ffffff\"/>\n"
        );
        for (name, inside) in &self.layers {
            out.push_str(&format!("<g id=\"{id}-{name}\" transform=\"scale({SUB_TEXT})\">\n{inside}</g>\n"));
        }
        out.push_str("</svg>\n");
        out
    }
}

/// Width of a text in pixels, from the advance widths of a wide sans-serif face: real fonts come out
/// at most that wide.
pub(crate) fn text_width(text: &str, size: f64) -> f64 {
    let em = |c: char| match c {
        ' ' | ',' | '.' | ':' | ';' | '/' | '|' | '\'' => 0.34,
        'i' | 'j' | 'l' | 'I' | 'J' => 0.3,
        'f' | 't' | 'r' | '(' | ')' | '-' | '[' | ']' | '!' => 0.41,
        'm' | 'W' | '%' | '@' => 0.98,
        'w' | 'M' | '+' | '=' | '<' | '>' | 'O' | 'Q' | 'G' => 0.84,
        c if c.is_ascii_uppercase() => 0.72,
        c if c.is_ascii() => 0.64,
        c => match c.width() {
            Some(0) => 0.0,
            Some(2) => 1.05,
            _ => 0.7,
        },
    };
    size * text.chars().map(em).sum::<f64>()
}

/// `text` in lines of at most `width` pixels and at most `most` lines; whatever does not fit then ends
/// in an ellipsis, and the flag says so.
pub(crate) fn wrap(text: &str, width: f64, size: f64, most: usize) -> (Vec<String>, bool) {
    let text = clean(text);
    let mut lines: Vec<String> = Vec::new();
    let mut line = String::new();
    let fits = |line: &str| text_width(line, size) <= width;
    for word in text.split(' ').filter(|w| !w.is_empty()) {
        let joined = if line.is_empty() { word.to_owned() } else { format!("{line} {word}") };
        if fits(&joined) {
            line = joined;
            continue;
        }
        if !line.is_empty() {
            lines.push(std::mem::take(&mut line));
        }
        // A word wider than a line breaks where it must, after a hyphen or slash if it can.
        for c in word.chars() {
            let grown = format!("{line}{c}");
            if !line.is_empty() && !fits(&grown) {
                let cut = line.rfind(['-', '/', '+', '_']).map(|i| i + 1).filter(|&i| i < line.len() && i > 2);
                let rest = cut.map_or(String::new(), |i| line.split_off(i));
                lines.push(std::mem::replace(&mut line, rest));
            }
            line.push(c);
        }
    }
    if !line.is_empty() || lines.is_empty() {
        lines.push(line);
    }
    let most = most.max(1);
    let shortened = lines.len() > most;
    if shortened {
        lines.truncate(most);
        if let Some(last) = lines.last_mut() {
            while !last.is_empty() && !fits(&format!("{last}…")) {
                last.pop();
            }
            last.push('…');
        }
    }
    (lines, shortened)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_keeps_to_its_width_and_loses_nothing_unless_it_says_so() {
        for text in [
            "coarse surface dressing",
            "aveeerylongwordwithoutanybreak and more",
            "a-b-c/d-e-f/g-h-i-j-k",
            "路面路面路面路面",
            "",
        ] {
            let (lines, shortened) = wrap(text, 60.0, 12.0, 99);
            assert!(!shortened);
            assert!(lines.iter().all(|l| text_width(l, 12.0) <= 60.0), "{lines:?}");
            let bare = |s: &str| s.replace(' ', "");
            assert_eq!(bare(&lines.concat()), bare(text));
            let (short, shortened) = wrap(text, 60.0, 12.0, 1);
            assert_eq!(shortened, lines.len() > 1);
            assert!(short.len() == 1 && text_width(&short[0], 12.0) <= 60.0);
        }
    }
}
