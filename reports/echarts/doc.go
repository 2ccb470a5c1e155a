// Package echarts holds one thing: the script of Apache ECharts as text, so that the chart page is complete in itself and asks
// no network for anything.
//
// The script is not kept in the repository. package.json and package-lock.json pin it (the lock holds checksums and no hosts),
// `make` fetches it and copies it to asset/echarts.js, and the go tool embeds the folder. Without it everything still builds;
// Script then returns ErrNotBuiltIn, and the page is written with still pictures and tables.
//
// It must not know what a chart of a bath looks like: that is package reports. Start at Script.
package echarts
