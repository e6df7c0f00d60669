//! Every path that a file's tokens name, with groups spread out: `use a::{b, c::D};` names `a::b` and `a::c::D`, and so
//! do expressions, types and the insides of macros. Comments and text in quotes name nothing.
//!
//! What it does not: resolve names. Start reading at [`named`].

use proc_macro2::{Delimiter, Group, Spacing, TokenStream, TokenTree};

/// One path as it is written, `*` for a glob.
#[derive(Clone, Debug, PartialEq)]
pub struct Named {
    /// Its words.
    pub words: Vec<String>,
    /// The line of its first own word.
    pub line: usize,
    /// How many `mod name { ... }` stand round it.
    pub inner_modules: usize,
    /// It stands in the parentheses of `pub(...)`.
    pub in_visibility: bool,
    /// It follows a dot and stands before parentheses: the name of a method that is called.
    pub is_method_call: bool,
    /// It stands before an exclamation mark: a macro.
    pub is_macro: bool,
}

/// Every path and every single name in the tokens.
pub fn named(tokens: &TokenStream) -> Vec<Named> {
    let mut reader = Reader::default();
    reader.read(tokens);
    reader.found
}

#[derive(Default)]
struct Reader {
    found: Vec<Named>,
    inner_modules: usize,
    in_visibility: bool,
}

impl Reader {
    fn read(&mut self, tokens: &TokenStream) {
        let tokens: Vec<TokenTree> = tokens.clone().into_iter().collect();
        let mut at = 0;
        while at < tokens.len() {
            at = match &tokens[at] {
                TokenTree::Ident(_) => self.read_path(&tokens, at, Vec::new()),
                TokenTree::Group(group) => {
                    self.read_group(&tokens, at, group);
                    at + 1
                }
                _ => at + 1,
            };
        }
    }

    /// Goes into a group, knowing whether it is the body of a module or the parentheses of `pub`.
    fn read_group(&mut self, tokens: &[TokenTree], at: usize, group: &Group) {
        let is_module = group.delimiter() == Delimiter::Brace && 2 <= at && is_word(&tokens[at - 2], "mod");
        let is_visibility = group.delimiter() == Delimiter::Parenthesis && 1 <= at && is_word(&tokens[at - 1], "pub");
        let outside = self.in_visibility;
        self.inner_modules += usize::from(is_module);
        self.in_visibility = is_visibility;
        self.read(&group.stream());
        self.in_visibility = outside;
        self.inner_modules -= usize::from(is_module);
    }

    /// Reads the path that begins at `at` and returns where the tokens go on.
    fn read_path(&mut self, tokens: &[TokenTree], mut at: usize, mut words: Vec<String>) -> usize {
        let line = tokens[at].span().start().line;
        let after_dot = words.is_empty() && 1 <= at && is_punct(&tokens[at - 1], '.');
        loop {
            match &tokens[at] {
                TokenTree::Ident(word) => words.push(word.to_string().trim_start_matches("r#").to_owned()),
                TokenTree::Punct(star) if star.as_char() == '*' => words.push("*".to_owned()),
                TokenTree::Group(group) if group.delimiter() == Delimiter::Brace => {
                    self.spread(&group.stream(), &words);
                    return at + 1;
                }
                _ => break,
            }
            at += 1;
            if !is_double_colon(tokens, at) || tokens.len() <= at + 2 {
                break;
            }
            at += 2;
        }
        self.found.push(Named {
            words,
            line,
            inner_modules: self.inner_modules,
            in_visibility: self.in_visibility,
            is_method_call: after_dot && tokens.get(at).is_some_and(is_parenthesis),
            is_macro: tokens.get(at).is_some_and(|token| is_punct(token, '!')),
        });
        at
    }

    /// Reads the members of `prefix::{...}`.
    fn spread(&mut self, members: &TokenStream, prefix: &[String]) {
        let tokens: Vec<TokenTree> = members.clone().into_iter().collect();
        let mut at = 0;
        while at < tokens.len() {
            let starts_member = at == 0 || is_punct(&tokens[at - 1], ',');
            let is_word_or_star = matches!(tokens[at], TokenTree::Ident(_)) || is_punct(&tokens[at], '*');
            at = if starts_member && is_word_or_star { self.read_path(&tokens, at, prefix.to_vec()) } else { at + 1 };
        }
    }
}

fn is_word(token: &TokenTree, word: &str) -> bool {
    matches!(token, TokenTree::Ident(ident) if ident == word)
}

fn is_punct(token: &TokenTree, sign: char) -> bool {
    matches!(token, TokenTree::Punct(punct) if punct.as_char() == sign)
}

fn is_parenthesis(token: &TokenTree) -> bool {
    matches!(token, TokenTree::Group(group) if group.delimiter() == Delimiter::Parenthesis)
}

fn is_double_colon(tokens: &[TokenTree], at: usize) -> bool {
    let first =
        matches!(tokens.get(at), Some(TokenTree::Punct(p)) if p.as_char() == ':' && p.spacing() == Spacing::Joint);
    first && tokens.get(at + 1).is_some_and(|token| is_punct(token, ':'))
}
