package pagecheck

import (
	"strings"
	"testing"
)

const head = `<!doctype html><html lang="en"><head><title>T · M</title><meta name="viewport" content="width=device-width"></head><body>`

// sound is a page without a fault that uses everything that is checked.
const sound = head + `<a href="#main">To the text</a><main id="main" tabindex="-1"><h1>T</h1><h2>A</h2><h3>B</h3><h2>C</h2>
<form method="post" action="/x"><input type="hidden" name="csrf" value="t">
<label for="a">A</label><p id="a-help">Help</p><input id="a" name="a" aria-describedby="a-help ">
<fieldset><legend>Choose</legend><label><input type="radio" name="r" value="1"> one</label></fieldset><button>Send</button></form>
<form method="get" action="/objects"><input name="q" aria-label="Find"><button>Find</button></form>
<table><caption>Rows</caption><thead><tr><th scope="col">N</th><th scope="col">V</th><th scope="col"><span class="unseen">Act</span></th></tr></thead>
<tbody><tr><th scope="row">n</th><td data-label="V">v</td><td><form method="post" action="/y"><input type="hidden" name="csrf" value="t"><button aria-label="End n">End</button></form></td></tr></tbody></table>
<div class="scroll" role="region" tabindex="0" aria-label="Grid"><table><caption>Grid</caption><tr><th scope="col">N</th></tr><tr><td>v</td></tr></table></div>
<ul><li><a href="/p"><img src="/i" alt="Front"></a></li></ul><dl><dt>K</dt><dd></dd></dl>
<svg role="img"><title>Drawing</title></svg><span aria-hidden="true"><svg></svg></span><script type="module" src="/static/marks.js"></script></main></body></html>`

func TestSoundPageHasNoFaults(t *testing.T) {
	if faults := Faults([]byte(sound)); len(faults) > 0 {
		t.Errorf("faults in a sound page:\n%s", strings.Join(faults, "\n"))
	}
}

func TestFaults(t *testing.T) {
	for said, part := range map[string]string{
		"has no label":                    `<input name="a">`,
		"is used 2 times":                 `<p id="x">a</p><p id="x">b</p>`,
		"jumps from level 1 to 3":         `<h3>x</h3>`,
		"has 2 <h1>":                      `<h1>x</h1>`,
		"is empty":                        `<p> </p>`,
		"heading <h2> is empty":           `<h2></h2>`,
		"has no words in its place":       `<img src="/i">`,
		"has no words":                    `<button> <span aria-hidden="true">x</span></button>`,
		"a link to /x has no words":       `<a href="/x"></a>`,
		"leads nowhere":                   `<a>x</a>`,
		"style of its own":                `<p style="color:red">x</p>`,
		"has a <style>":                   `<style>p{}</style>`,
		"script of its own":               `<button onclick="x()">x</button>`,
		"is not a module":                 `<script>x()</script>`,
		"runs a script":                   `<a href=" JavaScript:x()">x</a>`,
		"jumps the queue":                 `<p tabindex="3">x</p>`,
		"which is not there":              `<p aria-describedby="nowhere">x</p>`,
		"leads to #nowhere":               `<a href="#nowhere">x</a>`,
		"a label is for":                  `<label for="nowhere">x</label>`,
		"has no token":                    `<form method="post" action="/x"><button>x</button></form>`,
		"puts its token into the address": `<form action="/x"><input type="hidden" name="csrf" value="t"><button>x</button></form>`,
		"has no button":                   `<form action="/x"></form>`,
		"does not begin with a legend":    `<fieldset><p>x</p></fieldset>`,
		"does not begin with a caption":   `<table><tr><th scope="col">x</th></tr></table>`,
		"does not say its scope":          `<table><caption>c</caption><tr><th>x</th></tr></table>`,
		"has no headers":                  `<table><caption>c</caption><tr><td data-label="x">x</td></tr></table>`,
		"has no row headers":              `<table><caption>c</caption><thead><tr><th scope="col">x</th><th scope="col">y</th></tr></thead><tr><td data-label="x">x</td><td data-label="y">y</td></tr></table>`,
		"does not say its column":         `<table><caption>c</caption><tr><th scope="row">x</th><td>y</td></tr></table>`,
		"scrolls in a region without":     `<div class="scroll"><table><caption>c</caption><tr><th scope="row">x</th><td>y</td></tr></table></div>`,
		"neither role and name":           `<svg><path d="M0 0"/></svg>`,
		"<ul> holds a <p>":                `<ul><p>x</p></ul>`,
		"holds bare words":                `<ul>x<li>y</li></ul>`,
		"<dl> holds a <p>":                `<dl><p>x</p></dl>`,
		"holds another control":           `<a href="/x">x <button>y</button></a>`,
		"should be a <button>":            `<input type="submit" value="x">`,
		"is not used here":                `<iframe src="/x"></iframe>`,
		"which no person wrote":           `<p>%!d(string=x)</p>`,
		`"January 0001"`:                  `<p>1 January 0001</p>`,
		"has 2 <main>":                    `</main><main>`,
	} {
		faults := Faults([]byte(head + `<main><h1>T</h1>` + part + `</main></body></html>`))
		if !strings.Contains(strings.Join(faults, "\n"), said) {
			t.Errorf("%s: want a fault that says %q, have %q", part, said, faults)
		}
	}
}

func TestFaultsOfTheDocument(t *testing.T) {
	body := `<body><main><h1>T</h1></main></body></html>`
	for said, document := range map[string]string{
		"doctype":  `<html lang="en"><head><title>T</title><meta name="viewport" content="x"></head>` + body,
		"language": `<!doctype html><html><head><title>T</title><meta name="viewport" content="x"></head>` + body,
		"title":    `<!doctype html><html lang="en"><head><title> · </title><meta name="viewport" content="x"></head>` + body,
		"viewport": `<!doctype html><html lang="en"><head><title>T</title></head>` + body,
		"<h1>":     head + `<main><p>x</p></main></body></html>`,
	} {
		if faults := Faults([]byte(document)); !strings.Contains(strings.Join(faults, "\n"), said) {
			t.Errorf("want a fault about %s, have %q", said, faults)
		}
	}
}
