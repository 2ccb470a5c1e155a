package hazard

// Said is a caution with its source.
type Said struct{ Text, Source string }

// Words that plans and commands say too. The source of each stands in general,
// where it is listed.
const (
	AcidIntoBath  = "acid into the bath, never water into acid: a thin stream, stirring, face away, current off"
	EyesAndSkin   = "goggles, apron and acid-proof gloves; running water and an eye wash at hand"
	Waste         = "hazardous waste: into a closed, labelled container, apart from every other kind of waste, never down the drain; local rules decide where it goes"
	WasteShort    = "hazardous waste: a closed, labelled container, never the drain" // as Waste, for one line
	CyanideShort  = "cyanide kills: exhaust, never alone, no acid in the room"       // as CyanideAtAll, for one line
	CyanideAtAll  = "this is a cyanide bath: hydrogen cyanide can come off at every pH, in normal use; acid, pH corrections and make-up are the supplier's procedure only, with exhaust, and never alone"
	CyanideFigure = "gold is tracked here by charge and by the supplier's replenisher only; no reading makes such a bath safe"
	CyanideAcid   = "keep acids away from it, and follow the supplier, local codes and licensed practice"
	Boric         = "boric acid dissolves only warm, and falls out of a bath that gets cold"
	Usual         = "the cautions here are the usual ones, not all of them: the safety data sheets, local codes and licensed practice come first"
)

// Where cautions come from. What begins with "memory" was not looked up.
const (
	common    = "memory: common practice, no source"
	annexVI   = "memory: CLP Regulation (EC) 1272/2008, Annex VI; not looked up"
	casMemory = "memory: CAS registry number; not looked up"

	sdsAcid   = "safety data sheets: battery acid 2019, scribd 801038894; sulfuric acid under 51 %, paperzz.com 7586761; read in excerpt"
	sdsHCl    = "safety data sheet of hydrochloric acid 31 to 33 %, scribd 621990191; read in excerpt"
	icsc1416  = "ILO international chemical safety card 1416, copper sulfate pentahydrate, Nov 2023; read in excerpt"
	wpNiSO4   = "Nickel(II) sulfate, a copy of the Wikipedia article at en.vrachi.name: hazard statements; read in excerpt"
	niSO4Page = "cobalt-nickel.net, safety data sheet of nickel sulfate hexahydrate; read in excerpt"
	niteNiCl  = "NITE GHS classification 13-mhlw-0071e, nickel chloride hexahydrate: CAS number; read in excerpt"
	boricRAC  = "ECHA registry of harmonised classification, boric acid, and an account of it of 2019 (selerant blog); read in excerpt"
	sdsGold   = "safety data sheets of potassium gold cyanide, docslib.org 7323872 and 10200665; read in excerpt"
	sdsGold2  = "safety data sheet of potassium gold cyanide, samaterials.de, which has no H410; read in excerpt"
	sdsH2O2   = "safety data sheet of hydrogen peroxide 30 to 32 %, docslib.org 809108; read in excerpt"
	fireH2O2  = "safety data sheet of hydrogen peroxide 30 %, kupdf.net: strong oxidizer, contact with other material may cause fire; read in excerpt"
	casH2O2   = "safety data sheet of hydrogen peroxide, soest.hawaii.edu: CAS number; read in excerpt"
	sdsNaOH   = "safety data sheet of sodium hydroxide 50 %, 2013, studylib.net 8411905; read in excerpt"
	sdsNaOH2  = "safety data sheet of sodium hydroxide 2015, paperzz.com 8434851: may be corrosive to metals; read in excerpt"
	sdsAgNO3  = "safety data sheet of silver nitrate, 14 Sept 2020, complyplus.grainger.com 39G853, the code from the class printed there; read in excerpt"
	sdsAgNO3b = "safety data sheet of silver nitrate, Nov 2020, docslib.org 2388619, the code from the class printed there; read in excerpt"
	casAgNO3  = "safety data sheet of silver nitrate 2018, complyplus.grainger.com 9NW22: CAS number; read in excerpt"
	niosh     = "hazards of soluble nickel, OSHA chemical data CH_256200 and NIOSH (a carcinogen); read in excerpt"
	mistIARC  = "IARC group 1, strong acid mists, as cited in a battery data sheet; MAK 0.1 mg/m3, Breuer et al., J. Environ. Monit. 2012; read in excerpt"
	drainCFR  = "40 CFR 433.17: copper and nickel of metal finishing limited to a few mg/L before a sewer; read in excerpt"
	euh032    = "memory: that it is given to cyanides; its words in reachlex.eu, CLP Annex II, read in excerpt"
)

// Where the words of hazard statements come from.
const (
	listEU   = "European Commission, sampling manual, list of H-phrases; read in excerpt"
	listLab  = "labtesting.cn, list of restricted hazard statements, 2022; read in excerpt"
	listEUH  = "cheminfo/ghs-hazard, data/euh.mjs: texts of the EUH statements; read whole"
	listAqua = "jinco.com.cn, hazard statements of nickel sulphate; read in excerpt"
	listMind = "memory: CLP Annex III; not looked up"
)

// statement returns the words of a hazard statement, and where they are printed.
func statement(code string) Said {
	switch code {
	case "H272":
		return Said{"may intensify fire; oxidiser", listEU}
	case "H290":
		return Said{"may be corrosive to metals", listEU}
	case "H300":
		return Said{"fatal if swallowed", listEU}
	case "H301":
		return Said{"toxic if swallowed", listEU}
	case "H302":
		return Said{"harmful if swallowed", listEU}
	case "H310":
		return Said{"fatal in contact with skin", listEU}
	case "H314":
		return Said{"causes severe skin burns and eye damage", listEU}
	case "H315":
		return Said{"causes skin irritation", listEU}
	case "H317":
		return Said{"may cause an allergic skin reaction", listEU}
	case "H318":
		return Said{"causes serious eye damage", listEU}
	case "H319":
		return Said{"causes serious eye irritation", listEU}
	case "H330":
		return Said{"fatal if inhaled", listEU}
	case "H331":
		return Said{"toxic if inhaled", listEU}
	case "H332":
		return Said{"harmful if inhaled", listEU}
	case "H334":
		return Said{"may cause allergy or asthma symptoms or breathing difficulties if inhaled", listEU}
	case "H335":
		return Said{"may cause respiratory irritation", listEU}
	case "H340":
		return Said{"may cause genetic defects", listLab}
	case "H341":
		return Said{"suspected of causing genetic defects", listLab}
	case "H350":
		return Said{"may cause cancer", listLab}
	case "H350i":
		return Said{"may cause cancer by inhalation", listLab}
	case "H360D":
		return Said{"may damage the unborn child", listLab}
	case "H360FD":
		return Said{"may damage fertility; may damage the unborn child", listLab}
	case "H372":
		return Said{"causes damage to organs through prolonged or repeated exposure", listLab}
	case "H400":
		return Said{"very toxic to aquatic life", listMind}
	case "H410":
		return Said{"very toxic to aquatic life with long lasting effects", listAqua}
	case "EUH032":
		return Said{"contact with acids liberates very toxic gas", listEUH}
	}
	return Said{}
}
