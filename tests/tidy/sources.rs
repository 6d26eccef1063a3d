//! What the rules look at: the repository's own files, and Rust files as tokens with their lines.
//!
//! Rules about code read tokens, so that a word in a comment never counts as code and a word in a string never counts
//! as a name.

use std::path::{Path, PathBuf};
use std::str::FromStr as _;

use proc_macro2::{Delimiter, TokenStream, TokenTree};

/// A text file of the repository.
pub(crate) struct Source {
    /// Path from the repository's root, with `/` between folders.
    pub(crate) path: String,
    /// The whole text.
    pub(crate) text: String,
}

/// What a token is, as far as a rule cares.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Kind {
    /// A name or keyword.
    Word,
    /// A literal of any kind, as it is written.
    Literal,
    /// One sign, or one bracket.
    Sign,
}

/// One token of a Rust file; doc comments are left out.
pub(crate) struct Token {
    /// What it is.
    pub(crate) kind: Kind,
    /// How it is written, without a leading `r#` for names.
    pub(crate) text: String,
    /// Line in its file, from 1.
    pub(crate) line: usize,
    /// How many brackets of any kind are open around it.
    pub(crate) depth: usize,
}

/// The repository's root folder, asked when the test runs: a target folder may serve several checkouts.
pub(crate) fn root() -> PathBuf {
    let package = std::env::current_dir().expect("cargo starts a test in its package's folder");
    let root = package
        .parent()
        .expect("the tests' package lies in a folder of the repository");
    let is_root = root.join("Cargo.lock").is_file() && root.join("tests/tidy").is_dir();
    assert!(
        is_root,
        "{} is not the repository's root; run these tests with cargo",
        root.display()
    );
    root.to_path_buf()
}

/// Every Rust file of the repository, in order of path.
pub(crate) fn rust_files() -> Vec<Source> {
    let found = files_ending(".rs");
    assert!(
        found.len() > 10,
        "only {} Rust files were found under {}",
        found.len(),
        root().display()
    );
    found
}

/// Every file whose name ends so, in order of path; build output, installed tools and hidden folders are left out.
pub(crate) fn files_ending(end: &str) -> Vec<Source> {
    let root = root();
    let mut found = Vec::new();
    let mut folders = vec![root.clone()];
    while let Some(folder) = folders.pop() {
        let entries = std::fs::read_dir(&folder)
            .unwrap_or_else(|error| panic!("cannot list {}: {error}", folder.display()));
        for entry in entries {
            let path = entry
                .expect("a listed folder can be read to its end")
                .path();
            let name = path
                .file_name()
                .expect("a listed entry has a name")
                .to_string_lossy()
                .into_owned();
            if path.is_dir() {
                let outside = name.starts_with('.') || name == "target" || name == "node_modules";
                if !outside {
                    folders.push(path);
                }
            } else if name.ends_with(end) {
                found.push(source(&root, &path));
            }
        }
    }
    found.sort_by(|a, b| a.path.cmp(&b.path));
    found
}

fn source(root: &Path, path: &Path) -> Source {
    let text = std::fs::read_to_string(path)
        .unwrap_or_else(|error| panic!("cannot read {}: {error}", path.display()));
    let below = path
        .strip_prefix(root)
        .expect("a listed file lies under the root");
    Source {
        path: below.to_string_lossy().replace('\\', "/"),
        text,
    }
}

impl Source {
    /// Its tokens in order; panics with the path when the file is no Rust.
    pub(crate) fn tokens(&self) -> Vec<Token> {
        let stream = TokenStream::from_str(&self.text).unwrap_or_else(|error| {
            let at = error.span().start();
            panic!("{}:{}: this is not Rust: {error}", self.path, at.line)
        });
        let mut tokens = Vec::new();
        flatten(stream, 0, &mut tokens);
        tokens
    }
}

fn flatten(stream: TokenStream, depth: usize, into: &mut Vec<Token>) {
    for tree in stream {
        let line = tree.span().start().line;
        match tree {
            TokenTree::Ident(name) => {
                let text = name.to_string().trim_start_matches("r#").to_owned();
                into.push(Token {
                    kind: Kind::Word,
                    text,
                    line,
                    depth,
                });
            }
            TokenTree::Literal(value) => {
                into.push(Token {
                    kind: Kind::Literal,
                    text: value.to_string(),
                    line,
                    depth,
                });
            }
            TokenTree::Punct(sign) => {
                into.push(Token {
                    kind: Kind::Sign,
                    text: sign.as_char().to_string(),
                    line,
                    depth,
                });
            }
            TokenTree::Group(group) => {
                if group.delimiter() == Delimiter::Bracket && starts_with_doc(group.stream()) {
                    continue;
                }
                let (open, close) = match group.delimiter() {
                    Delimiter::Parenthesis => ("(", ")"),
                    Delimiter::Brace => ("{", "}"),
                    Delimiter::Bracket => ("[", "]"),
                    Delimiter::None => ("", ""),
                };
                into.push(Token {
                    kind: Kind::Sign,
                    text: open.to_owned(),
                    line,
                    depth,
                });
                flatten(group.stream(), depth + 1, into);
                let last = group.span_close().start().line;
                into.push(Token {
                    kind: Kind::Sign,
                    text: close.to_owned(),
                    line: last,
                    depth,
                });
            }
        }
    }
}

/// Says whether a bracket holds a documentation attribute, which is what the tokenizer turns a doc comment into.
fn starts_with_doc(stream: TokenStream) -> bool {
    match stream.into_iter().next() {
        Some(TokenTree::Ident(name)) => name == "doc",
        _ => false,
    }
}

/// Fails with every offender and the way to mend them, unless there is none.
#[track_caller]
pub(crate) fn assert_none(offenders: &[String], mend: &str) {
    assert!(
        offenders.is_empty(),
        "\n  {}\n\n{mend}\n",
        offenders.join("\n  ")
    );
}

#[test]
fn tokens_leave_comments_out_and_know_their_line() {
    let source = Source {
        path: "example.rs".to_owned(),
        text: "//! SELECT\n/// SELECT\n// SELECT\nfn r#impl() {\n    \"a\"\n}\n".to_owned(),
    };
    let seen: Vec<(String, usize, usize)> = source
        .tokens()
        .into_iter()
        .filter(|t| t.kind != Kind::Sign)
        .map(|t| (t.text, t.line, t.depth))
        .collect();
    let expected = [
        ("fn".to_owned(), 4, 0),
        ("impl".to_owned(), 4, 0),
        ("\"a\"".to_owned(), 5, 1),
    ];
    assert_eq!(seen, expected);
}
