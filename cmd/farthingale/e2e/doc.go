// Package e2e holds tests that use the pages in a real browser: every page is measured at three
// widths, in both colour schemes, and the main job is walked as the people who do it.
//
// They need Chromium. FARTHINGALE_BROWSER names it, or says "required": then a test fails where none
// is found, and where FARTHINGALE_AXE does not name the file axe.min.js of axe-core. Without either
// variable the tests use what they find, and are left out where there is no browser.
// FARTHINGALE_SHOTS names a folder for a picture of every page.
package e2e
