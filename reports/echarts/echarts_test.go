package echarts

import (
	"os"
	"regexp"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/require"
)

// A program built without the script would silently write lesser pages, so its absence fails the tests.
func TestScriptIsBuiltIn(t *testing.T) {
	text, err := Script()
	require.NoError(t, err, "the chart script is absent: run make")

	// The version line and the licence header are those of the file that the ECharts project publishes.
	require.Regexp(t, regexp.MustCompile(`version="6\.1\.\d+"`), text)
	require.Contains(t, text, "Licensed to the Apache Software Foundation (ASF)")
	require.NotContains(t, strings.ToLower(text), "</script")
	require.NotContains(t, text, "<!--")
	require.NotContains(t, text, "\r")
}

// Apache-2.0 section 4(d) asks for the NOTICE text in every copy; the BSD licence of zrender and of the parts from d3 asks for
// their copyright lines in binary copies too.
func TestScriptCarriesItsNotices(t *testing.T) {
	text, err := Script()
	require.NoError(t, err)
	notice, _, found := strings.Cut(text, "*/")
	require.True(t, found)
	for _, line := range []string{
		"Apache ECharts",
		"The Apache Software Foundation",
		"Copyright (c) 2017, Baidu Inc.",
		"Copyright 2010-2016 Mike Bostock",
		"Copyright (c) Microsoft Corporation.",
	} {
		require.Contains(t, notice, line)
	}
}

func TestScriptAbsentSaysHowToBuild(t *testing.T) {
	_, err := script(fstest.MapFS{"asset/NOTICE": {Data: []byte("x\n")}})
	require.ErrorIs(t, err, ErrNotBuiltIn)
	require.Contains(t, err.Error(), "make")
}

func TestScriptThatWouldBreakThePageIsRefused(t *testing.T) {
	for _, code := range []string{"a='</SCRIPT>'", "a='<!--'"} {
		_, err := script(fstest.MapFS{
			"asset/NOTICE":     {Data: []byte("x\n")},
			"asset/echarts.js": {Data: []byte(code)},
		})
		require.Error(t, err, code)
		require.NotErrorIs(t, err, ErrNotBuiltIn, code)
	}
}

func TestScriptLineEndsAreThoseTheBrowserHashes(t *testing.T) {
	text, err := script(fstest.MapFS{
		"asset/NOTICE":     {Data: []byte("x\r\n")},
		"asset/echarts.js": {Data: []byte("a;\r\nb;\rc")},
	})
	require.NoError(t, err)
	require.Equal(t, "/*!\nx\n*/\na;\nb;\nc", text)
}

// A lock file that names hosts would send everyone's npm to the registry its author happened to use.
func TestLockFileNamesNoHost(t *testing.T) {
	lock, err := os.ReadFile("package-lock.json")
	require.NoError(t, err)
	require.NotContains(t, string(lock), "://")
	require.NotContains(t, string(lock), `"resolved"`)
	require.Contains(t, string(lock), `"integrity": "sha512-`)
}
