//! A sheet as a page for the browser. No style and no script stand in it: `report.css` has them.

use super::sheet::{Block, Cell, Column, Head, Sheet, Table, Tone};
use std::fmt::Write as _;

/// Text for an element or an attribute.
pub fn escaped(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&#39;"),
            c => safe.push(c),
        }
    }
    safe
}

/// The sheet as one element.
pub fn article(sheet: &Sheet) -> String {
    let mut html = format!("<article class=\"sheet-of-paper {}\">", sheet.paper.name().to_lowercase());
    if let Some(word) = &sheet.across {
        put(&mut html, format_args!("<p class=\"across\">{}</p>", escaped(word)));
    }
    for block in &sheet.blocks {
        self::block(&mut html, block);
    }
    put(&mut html, format_args!("<p class=\"foot\">{}</p></article>", escaped(&sheet.foot)));
    html
}

/// Writing to a String cannot fail.
fn put(html: &mut String, parts: std::fmt::Arguments<'_>) {
    let _ = html.write_fmt(parts);
}

fn block(html: &mut String, block: &Block) {
    match block {
        Block::Head(head) => self::head(html, head),
        Block::Heading { text } => put(html, format_args!("<h2>{}</h2>", escaped(text))),
        Block::Facts { columns } => {
            html.push_str("<div class=\"columns\">");
            for column in columns {
                self::column(html, column);
            }
            html.push_str("</div>");
        }
        Block::Table(table) => self::table(html, table),
        Block::Words { text, tone } => {
            put(html, format_args!("<p{}>{}</p>", class(*tone), escaped(text)));
        }
        Block::Figures { drawings } => {
            html.push_str("<div class=\"figures\">");
            for drawing in drawings {
                html.push_str(&drawing.svg());
            }
            html.push_str("</div>");
        }
        Block::Blanks { names } => {
            html.push_str("<div class=\"blanks\">");
            for name in names {
                put(html, format_args!("<p><span>{}</span></p>", escaped(name)));
            }
            html.push_str("</div>");
        }
        Block::End { text } => put(html, format_args!("<p class=\"end\">{}</p>", escaped(text))),
    }
}

fn head(html: &mut String, head: &Head) {
    html.push_str("<header><div>");
    for (number, line) in head.laboratory.iter().enumerate() {
        let class = if number == 0 { "laboratory" } else { "quiet" };
        put(html, format_args!("<p class=\"{class}\">{}</p>", escaped(line)));
    }
    put(html, format_args!("<h1>{}</h1>", escaped(&head.title)));
    for line in &head.under {
        put(html, format_args!("<p>{}</p>", escaped(line)));
    }
    html.push_str("</div>");
    if let Some(symbol) = &head.symbol {
        html.push_str(&symbol.svg());
    }
    html.push_str("</header>");
}

fn column(html: &mut String, column: &Column) {
    html.push_str("<section>");
    if !column.title.is_empty() {
        put(html, format_args!("<h2>{}</h2>", escaped(&column.title)));
    }
    if let Some((figure, of)) = &column.figure {
        put(
            html,
            format_args!("<p class=\"figure\"><b>{}</b> <span>{}</span></p>", escaped(figure), escaped(of)),
        );
    }
    html.push_str("<dl>");
    for (name, value) in &column.facts {
        put(html, format_args!("<dt>{}</dt><dd>{}</dd>", escaped(name), escaped(value)));
    }
    html.push_str("</dl></section>");
}

fn table(html: &mut String, table: &Table) {
    let mut classes = Vec::new();
    if table.ruled {
        classes.push("ruled");
    }
    if table.small {
        classes.push("small");
    }
    put(html, format_args!("<div class=\"scroll\"><table class=\"{}\">", classes.join(" ")));
    if table.heads.iter().any(|head| !head.is_empty()) {
        html.push_str("<thead><tr>");
        for (number, head) in table.heads.iter().enumerate() {
            let class = if table.figures.contains(&number) { " class=\"measured\"" } else { "" };
            put(html, format_args!("<th scope=\"col\"{class}>{}</th>", escaped(head)));
        }
        html.push_str("</tr></thead>");
    }
    html.push_str("<tbody>");
    for row in &table.rows {
        html.push_str("<tr>");
        for (number, cell) in row.iter().enumerate() {
            self::cell(html, cell, table.figures.contains(&number));
        }
        html.push_str("</tr>");
    }
    html.push_str("</tbody></table></div>");
}

fn cell(html: &mut String, cell: &Cell, number: bool) {
    let words = escaped(&cell.text).replace('\n', "<br>");
    let sign = if cell.tone == Tone::Wrong { "▲ " } else { "" };
    let mut classes: Vec<&str> = name(cell.tone).into_iter().collect();
    if number {
        classes.push("measured");
    }
    let class = if classes.is_empty() { String::new() } else { format!(" class=\"{}\"", classes.join(" ")) };
    put(html, format_args!("<td{class}>{sign}{words}</td>"));
}

fn name(tone: Tone) -> Option<&'static str> {
    match tone {
        Tone::Plain => None,
        Tone::Strong => Some("strong"),
        Tone::Quiet => Some("quiet"),
        Tone::Wrong => Some("wrong"),
    }
}

fn class(tone: Tone) -> String {
    name(tone).map_or_else(String::new, |name| format!(" class=\"{name}\""))
}
