// Package browser opens the page in a headless Chromium for tests: one Chromium
// for a package's tests, a tab for each, and a list of everything in it that a
// page without faults would not do. All of it has the build tag browser, which
// make test sets and a plain go test ./... does not.
package browser
