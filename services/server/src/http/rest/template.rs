//! Path templates of `google.api.http`: what they match, and which fields they fill from a path.

use percent_encoding::percent_decode_str;

/// A template, such as `/v1/{name=sites/*/furnaces/*}:checkUse`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Template {
    segments: Vec<Segment>,
    verb: Option<String>,
    variables: Vec<Variable>,
}

/// What stands between two slashes.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Segment {
    Word(String),
    Any,
}

/// A field that is filled from some segments in a row.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Variable {
    field: String,
    from: usize,
    to: usize,
}

/// A template that is not understood.
#[derive(Debug, thiserror::Error)]
#[error("`{template}` is not a path template that is understood: {why}")]
pub(crate) struct BadTemplate {
    template: String,
    why: &'static str,
}

/// A path, taken apart: segments without their escapes, and the custom verb behind the last colon.
#[derive(Debug)]
pub(crate) struct Taken {
    segments: Vec<String>,
    verb: Option<String>,
}

impl Taken {
    /// Takes a path apart; none for one that no template can match.
    pub(crate) fn of(path: &str) -> Option<Self> {
        let mut raw: Vec<&str> = path.strip_prefix('/')?.split('/').collect();
        let last = raw.pop()?;
        let (last, verb) = match last.rsplit_once(':') {
            Some((last, verb)) => (last, Some(verb)),
            None => (last, None),
        };
        raw.push(last);
        let mut segments = Vec::with_capacity(raw.len());
        for segment in raw {
            let segment = decoded(segment)?;
            // An escaped slash would make one segment look like two in a resource name.
            if segment.is_empty() || segment.contains('/') {
                return None;
            }
            segments.push(segment);
        }
        let verb = match verb {
            Some(verb) => Some(decoded(verb)?),
            None => None,
        };
        Some(Self { segments, verb })
    }
}

fn decoded(text: &str) -> Option<String> {
    let text = percent_decode_str(text).decode_utf8().ok()?;
    Some(text.into_owned())
}

impl Template {
    /// Reads a template: words, `*`, and variables of such; `**` is not understood, because no name here needs it.
    pub(crate) fn parse(template: &str) -> Result<Self, BadTemplate> {
        let bad = |why| BadTemplate {
            template: template.to_owned(),
            why,
        };
        let mut rest = template
            .strip_prefix('/')
            .ok_or_else(|| bad("it does not begin with a slash"))?;
        let mut verb = None;
        if let Some((before, word)) = rest.rsplit_once(':')
            && !word.contains(['/', '}'])
        {
            verb = Some(word.to_owned());
            rest = before;
        }
        let mut segments = Vec::new();
        let mut variables = Vec::new();
        while !rest.is_empty() {
            if let Some(inside) = rest.strip_prefix('{') {
                let (inside, after) = inside
                    .split_once('}')
                    .ok_or_else(|| bad("a variable does not end"))?;
                let (field, pattern) = inside.split_once('=').unwrap_or((inside, "*"));
                let from = segments.len();
                for segment in pattern.split('/') {
                    segments.push(one(segment).ok_or_else(|| bad("a segment is no word or *"))?);
                }
                variables.push(Variable {
                    field: field.to_owned(),
                    from,
                    to: segments.len(),
                });
                rest = after;
            } else {
                let (segment, after) = match rest.find('/') {
                    Some(at) => rest.split_at(at),
                    None => (rest, ""),
                };
                segments.push(one(segment).ok_or_else(|| bad("a segment is no word or *"))?);
                rest = after;
            }
            match rest.strip_prefix('/') {
                Some("") => return Err(bad("it ends with a slash")),
                Some(after) => rest = after,
                None if rest.is_empty() => {}
                None => return Err(bad("a variable is not a whole segment")),
            }
        }
        Ok(Self {
            segments,
            verb,
            variables,
        })
    }

    /// Matches a path: the value of each variable, by its field.
    pub(crate) fn matched(&self, path: &Taken) -> Option<Vec<(&str, String)>> {
        if self.segments.len() != path.segments.len() || self.verb != path.verb {
            return None;
        }
        for (wanted, given) in self.segments.iter().zip(&path.segments) {
            if let Segment::Word(word) = wanted
                && word != given
            {
                return None;
            }
        }
        let values = self.variables.iter().map(|variable| {
            let value = path.segments[variable.from..variable.to].join("/");
            (variable.field.as_str(), value)
        });
        Some(values.collect())
    }

    /// The fields that paths fill.
    pub(crate) fn fields(&self) -> impl Iterator<Item = &str> {
        self.variables
            .iter()
            .map(|variable| variable.field.as_str())
    }

    /// Whether some path matches both.
    #[cfg(test)]
    pub(crate) fn meets(&self, other: &Self) -> bool {
        let fits = |pair: (&Segment, &Segment)| match pair {
            (Segment::Word(one), Segment::Word(other)) => one == other,
            _ => true,
        };
        self.verb == other.verb
            && self.segments.len() == other.segments.len()
            && self.segments.iter().zip(&other.segments).all(fits)
    }

    /// The template as OpenAPI writes it, one variable for each `*`, with the variables' names in order:
    /// `/v1/sites/{site}/furnaces/{furnace}:checkUse`.
    pub(crate) fn spelt_out(&self) -> (String, Vec<String>) {
        let mut path = String::new();
        let mut names: Vec<String> = Vec::new();
        let mut before = "";
        for segment in &self.segments {
            path.push('/');
            match segment {
                Segment::Word(word) => {
                    path.push_str(word);
                    before = word;
                }
                Segment::Any => {
                    let name = singular(before);
                    path.push('{');
                    path.push_str(&name);
                    path.push('}');
                    names.push(name);
                }
            }
        }
        if let Some(verb) = &self.verb {
            path.push(':');
            path.push_str(verb);
        }
        (path, names)
    }
}

fn one(segment: &str) -> Option<Segment> {
    match segment {
        "*" => Some(Segment::Any),
        "" => None,
        word if word.contains(['*', '{', '}']) => None,
        word => Some(Segment::Word(word.to_owned())),
    }
}

/// The name of one member of a collection: `furnace` of `furnaces`, `ringBatch` of `ringBatches`.
fn singular(collection: &str) -> String {
    let stem = match collection.strip_suffix("ches") {
        Some(stem) => return format!("{stem}ch"),
        None => collection.strip_suffix('s').unwrap_or(collection),
    };
    stem.to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn matched<'t>(template: &'t Template, path: &str) -> Option<Vec<(&'t str, String)>> {
        template.matched(&Taken::of(path)?)
    }

    fn template(text: &str) -> Template {
        Template::parse(text).expect("a template")
    }

    #[test]
    fn variables_take_whole_names_out_of_a_path() {
        let check = template("/v1/{furnace=sites/*/furnaces/*}:checkUse");
        let values = matched(&check, "/v1/sites/porto/furnaces/k2:checkUse").expect("it matches");
        assert_eq!(values, [("furnace", "sites/porto/furnaces/k2".to_owned())]);
        for other in [
            "/v1/sites/porto/furnaces/k2",
            "/v1/sites/porto/furnaces/k2:checkuse",
            "/v1/sites/porto/furnaces:checkUse",
            "/v1/sites/porto/gauges/k2:checkUse",
            "/v2/sites/porto/furnaces/k2:checkUse",
            "/v1/sites/porto/furnaces/k2/:checkUse",
            "v1/sites/porto/furnaces/k2:checkUse",
        ] {
            assert_eq!(matched(&check, other), None, "{other}");
        }
    }

    #[test]
    fn escapes_are_undone_and_never_make_more_segments() {
        let get = template("/v1/{name=sites/*}");
        let values = matched(&get, "/v1/sites/p%6Frto").expect("it matches");
        assert_eq!(values[0].1, "sites/porto");
        assert_eq!(matched(&get, "/v1/sites/a%2Ffurnaces%2Fb"), None);
        assert_eq!(matched(&get, "/v1/sites/%FF"), None);
        assert_eq!(matched(&get, "/v1/sites/"), None);
    }

    #[test]
    fn a_verb_may_follow_the_version() {
        let enrol = template("/v1:enrol");
        assert!(matched(&enrol, "/v1:enrol").is_some());
        assert!(matched(&enrol, "/v1/enrol").is_none());
    }

    #[test]
    fn openapi_gets_a_variable_for_each_star() {
        let amend = template("/v1/{name=sites/*/furnaces/*/readings/*}:amend");
        let (path, names) = amend.spelt_out();
        assert_eq!(
            path,
            "/v1/sites/{site}/furnaces/{furnace}/readings/{reading}:amend"
        );
        assert_eq!(names, ["site", "furnace", "reading"]);
        let batch = template("/v1/{name=ringBatches/*}:addTable").spelt_out();
        assert_eq!(batch.1, ["ringBatch"]);
    }

    #[test]
    fn what_is_no_template_is_refused() {
        for text in [
            "",
            "v1/sites",
            "/v1/{name",
            "/v1/**",
            "/v1/",
            "/v1/{a}b",
            "/v1//x",
        ] {
            assert!(Template::parse(text).is_err(), "{text}");
        }
    }

    #[test]
    fn templates_that_one_path_fits_meet() {
        let history = template("/v1/{name=sites/*/furnaces/*}/history");
        assert!(history.meets(&template("/v1/sites/{site}/{x}/*/history")));
        assert!(!history.meets(&template("/v1/{name=sites/*/furnaces/*}/charts")));
        assert!(!history.meets(&template("/v1/{name=sites/*/furnaces/*}")));
    }
}
