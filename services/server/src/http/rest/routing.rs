//! Which call answers a request, as the annotations in the protocol files say.

use std::sync::Arc;

use http::Method;
use http::uri::PathAndQuery;
use prost_reflect::{
    Cardinality, DescriptorPool, DynamicMessage, FieldDescriptor, MessageDescriptor,
    MethodDescriptor, Value,
};

use super::template::{Taken, Template};

/// The extension that holds a call's annotation.
const HTTP: &str = "google.api.http";

/// The verbs that an annotation can name, with the fields that do so.
const VERBS: [(&str, Method); 5] = [
    ("get", Method::GET),
    ("put", Method::PUT),
    ("post", Method::POST),
    ("delete", Method::DELETE),
    ("patch", Method::PATCH),
];

/// A call of the protocol.
#[derive(Debug)]
pub(crate) struct Call {
    /// As the protocol files describe it.
    pub(crate) method: MethodDescriptor,
    /// Its path over gRPC.
    pub(crate) path: PathAndQuery,
    /// Most bytes of one message of a request.
    pub(crate) most_bytes: usize,
}

impl Call {
    /// Whether its request is many messages.
    pub(crate) fn takes_many(&self) -> bool {
        self.method.is_client_streaming()
    }

    /// Whether its answer is many messages.
    pub(crate) fn gives_many(&self) -> bool {
        self.method.is_server_streaming()
    }
}

/// What of a request's message travels in the body.
#[derive(Debug, Clone)]
pub(crate) enum BodyPart {
    /// Nothing: everything is in the path and the query.
    Nothing,
    /// One field.
    Field(FieldDescriptor),
    /// Everything that is not in the path.
    Whole,
}

/// One way to make a call over HTTP.
#[derive(Debug, Clone)]
pub(crate) struct Route {
    /// The HTTP method.
    pub(crate) verb: Method,
    /// Which paths.
    pub(crate) template: Template,
    /// What the body holds.
    pub(crate) body: BodyPart,
    /// The field of the answer that is shown; all of it where there is none.
    pub(crate) shown: Option<FieldDescriptor>,
    /// The call.
    pub(crate) call: Arc<Call>,
}

impl Route {
    /// The message of the body, or of each of its lines; none where there is no body.
    pub(crate) fn body_message(&self) -> Option<MessageDescriptor> {
        match &self.body {
            BodyPart::Nothing => None,
            BodyPart::Field(field) => field.kind().as_message().cloned(),
            BodyPart::Whole => Some(self.call.method.input()),
        }
    }

    /// The message that is shown.
    pub(crate) fn shown_message(&self) -> MessageDescriptor {
        let shown = self.shown.as_ref();
        shown
            .and_then(|field| field.kind().as_message().cloned())
            .unwrap_or_else(|| self.call.method.output())
    }
}

/// Every route.
#[derive(Debug)]
pub(crate) struct Table {
    routes: Vec<Arc<Route>>,
}

/// What became of looking for a route.
#[derive(Debug)]
pub(crate) enum Found<'t> {
    /// This one, with the fields that the path fills.
    Route(&'t Arc<Route>, Vec<(&'t str, String)>),
    /// The path is one of ours, for these methods.
    OtherVerb(Vec<&'t Method>),
    /// The path is none of ours.
    Nothing,
}

/// Annotations that make no sense; the tests keep them out of a program that is built.
#[derive(Debug, thiserror::Error)]
#[error("the annotation of {call} cannot be used: {why}")]
pub(crate) struct BadRule {
    call: String,
    why: String,
}

impl Table {
    /// Reads the annotations of all calls of `ringtrue` services; `most_bytes` says how large a message of a service,
    /// by its full name, may be.
    pub(crate) fn of(
        pool: &DescriptorPool,
        most_bytes: impl Fn(&str) -> usize,
    ) -> Result<Self, BadRule> {
        let mut routes = Vec::new();
        for service in pool.services() {
            let most_bytes = most_bytes(service.full_name());
            for method in service.methods() {
                let bad = |why: String| BadRule {
                    call: method.full_name().to_owned(),
                    why,
                };
                let path = format!("/{}/{}", service.full_name(), method.name());
                let path = PathAndQuery::try_from(path).map_err(|fault| bad(fault.to_string()))?;
                let call = Arc::new(Call {
                    method: method.clone(),
                    path,
                    most_bytes,
                });
                let Some(rule) = rule(pool, &method) else {
                    continue;
                };
                for rule in with_additional(rule) {
                    routes.push(Arc::new(route(&call, &rule).map_err(bad)?));
                }
            }
        }
        Ok(Self { routes })
    }

    /// Looks for the route of a request.
    pub(crate) fn find(&self, verb: &Method, path: &str) -> Found<'_> {
        let Some(path) = Taken::of(path) else {
            return Found::Nothing;
        };
        // What answers GET answers HEAD (RFC 9110, 9.3.2); the transport leaves the body out.
        let verb = if verb == Method::HEAD {
            &Method::GET
        } else {
            verb
        };
        let mut others = Vec::new();
        for route in &self.routes {
            let Some(values) = route.template.matched(&path) else {
                continue;
            };
            if route.verb == *verb {
                return Found::Route(route, values);
            }
            if !others.contains(&&route.verb) {
                others.push(&route.verb);
            }
        }
        if others.is_empty() {
            Found::Nothing
        } else {
            Found::OtherVerb(others)
        }
    }

    /// Every route, in the order of the protocol files.
    pub(crate) fn routes(&self) -> &[Arc<Route>] {
        &self.routes
    }
}

fn rule(pool: &DescriptorPool, method: &MethodDescriptor) -> Option<DynamicMessage> {
    let http = pool.get_extension_by_name(HTTP)?;
    let options = method.options();
    if !options.has_extension(&http) {
        return None;
    }
    options.get_extension(&http).as_message().cloned()
}

fn with_additional(rule: DynamicMessage) -> Vec<DynamicMessage> {
    let more = rule
        .get_field_by_name("additional_bindings")
        .and_then(|more| more.as_list().map(<[Value]>::to_vec))
        .unwrap_or_default();
    let mut all = vec![rule];
    all.extend(more.into_iter().filter_map(|one| one.as_message().cloned()));
    all
}

fn route(call: &Arc<Call>, rule: &DynamicMessage) -> Result<Route, String> {
    let text = |name: &str| -> Option<String> {
        let value = rule.get_field_by_name(name)?;
        let text = value.as_str()?;
        (!text.is_empty()).then(|| text.to_owned())
    };
    let named = VERBS
        .iter()
        .find_map(|(name, verb)| text(name).map(|template| (verb, template)));
    let (verb, template) = named.ok_or("it names no path")?;
    let template = Template::parse(&template).map_err(|fault| fault.to_string())?;
    let input = call.method.input();
    for field in template.fields() {
        if !is_text(&input, field) {
            return Err(format!("the path fills {field}, which is no text"));
        }
    }
    let body = match text("body").as_deref() {
        None => BodyPart::Nothing,
        Some("*") => BodyPart::Whole,
        Some(name) => BodyPart::Field(message_field(&input, name)?),
    };
    let shown = match text("response_body") {
        None => None,
        Some(name) => Some(message_field(&call.method.output(), &name)?),
    };
    if call.takes_many() && matches!(body, BodyPart::Nothing) {
        return Err("many messages need a body".to_owned());
    }
    Ok(Route {
        verb: verb.clone(),
        template,
        body,
        shown,
        call: Arc::clone(call),
    })
}

fn message_field(message: &MessageDescriptor, name: &str) -> Result<FieldDescriptor, String> {
    let field = message.get_field_by_name(name);
    let field = field.filter(|field| {
        field.kind().as_message().is_some() && field.cardinality() != Cardinality::Repeated
    });
    field.ok_or_else(|| format!("{name} is no single message of {}", message.full_name()))
}

fn is_text(message: &MessageDescriptor, path: &str) -> bool {
    let mut message = message.clone();
    let mut steps = path.split('.').peekable();
    while let Some(step) = steps.next() {
        let Some(field) = message.get_field_by_name(step) else {
            return false;
        };
        if steps.peek().is_none() {
            return field.kind() == prost_reflect::Kind::String && !field.is_list();
        }
        let Some(inner) = field.kind().as_message().cloned() else {
            return false;
        };
        message = inner;
    }
    false
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pool() -> DescriptorPool {
        DescriptorPool::decode(ringtrue_proto::DESCRIPTORS).expect("the protocol is readable")
    }

    fn table() -> Table {
        Table::of(&pool(), |_| 1_000).expect("the annotations can be used")
    }

    #[test]
    fn every_call_of_the_protocol_has_an_annotation() {
        let pool = pool();
        let table = table();
        let mut missing = Vec::new();
        for method in pool
            .services()
            .flat_map(|service| service.methods().collect::<Vec<_>>())
        {
            let has_one = table
                .routes()
                .iter()
                .any(|route| route.call.method.full_name() == method.full_name());
            if !has_one {
                missing.push(method.full_name().to_owned());
            }
        }
        assert_eq!(
            missing,
            Vec::<String>::new(),
            "give each of these calls an `option (google.api.http)`"
        );
    }

    #[test]
    fn no_path_belongs_to_two_calls() {
        let table = table();
        let routes = table.routes();
        for (at, one) in routes.iter().enumerate() {
            for other in &routes[at + 1..] {
                assert!(
                    one.verb != other.verb || !one.template.meets(&other.template),
                    "{} and {} share a path",
                    one.call.path,
                    other.call.path
                );
            }
        }
        assert!(routes.len() > 80, "{} routes", routes.len());
    }

    #[test]
    fn an_answer_that_is_one_resource_is_shown_without_a_frame() {
        for route in table().routes() {
            let fields: Vec<FieldDescriptor> = route.call.method.output().fields().collect();
            let is_one_message = fields.len() == 1
                && fields[0].kind().as_message().is_some()
                && !fields[0].is_list();
            if route.call.gives_many() {
                continue;
            }
            assert_eq!(
                route.shown.is_some(),
                is_one_message,
                "{}: `response_body` names the one field of an answer that is a single resource, and only that",
                route.call.path
            );
        }
    }

    #[test]
    fn verbs_follow_what_calls_do() {
        for route in table().routes() {
            let name = route.call.method.name();
            let reads = ["Get", "List", "Watch", "Check", "Assess", "WhoAmI"]
                .iter()
                .any(|word| name.starts_with(word));
            assert_eq!(
                route.verb == Method::GET,
                reads,
                "{name}: GET is for what changes nothing, and for all of that"
            );
            if matches!(route.verb.as_str(), "GET" | "DELETE") {
                assert!(matches!(route.body, BodyPart::Nothing), "{name}");
            } else {
                assert!(!matches!(route.body, BodyPart::Nothing), "{name}");
            }
        }
    }

    #[test]
    fn another_verb_is_told_which_ones_there_are() {
        let table = table();
        match table.find(&Method::PUT, "/v1/sites/porto") {
            Found::OtherVerb(verbs) => assert_eq!(verbs, [&Method::GET, &Method::PATCH]),
            other => panic!("{other:?}"),
        }
        assert!(matches!(
            table.find(&Method::GET, "/v1/nowhere"),
            Found::Nothing
        ));
        assert!(matches!(
            table.find(&Method::HEAD, "/v1/sites"),
            Found::Route(..)
        ));
    }
}
