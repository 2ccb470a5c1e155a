package hazard

// aboutKinds is a general caution, and the kinds any of which brings it up.
type aboutKinds struct {
	Said
	about []Kind
}

// general are the cautions that are about more than one substance, in the order
// in which they are said.
func general() []aboutKinds {
	return []aboutKinds{
		{Said{EyesAndSkin, common}, nil},
		{Said{AcidIntoBath, common}, []Kind{Acid}},
		{Said{"an air-agitated acid tank gives off acid mist, which harms lungs and can cause cancer: lid or exhaust, and air the room", mistIARC}, []Kind{Acid}},
		{Said{"an air-agitated or working nickel tank gives off a nickel aerosol, which can cause cancer: lid and exhaust, never a closed room", niosh}, []Kind{Nickel}},
		{Said{"nickel salts make skin and lungs allergic, mostly for life: no splash stays on skin, no dust, hands washed before eating", common}, []Kind{Nickel}},
		{Said{"copper sulfate never goes down a drain, nor does any other copper or nickel: bath, rinses and titrated samples are collected", drainCFR}, []Kind{Copper, Nickel}},
		{Said{"what is bailed out is " + Waste, common}, nil},
		{Said{"labelled glassware and waste of their own for cyanide, acid, nickel, copper, silver, ammonia and chromate; no kind goes into another's container", common}, nil},
		{Said{"silver waste and ammonia never come together: explosive silver compounds can form", common}, []Kind{Silver}},
		{Said{"fumes of hydrochloric acid and ammonia: hood or open window, bottles shut at once", common}, []Kind{Fuming, Ammonia}},
		{Said{CyanideAtAll, common}, []Kind{Cyanide}},
		{Said{CyanideFigure, common}, []Kind{Cyanide}},
		{Said{CyanideAcid, common}, []Kind{Cyanide}},
		{Said{Usual, common}, nil},
	}
}

// table is what is known. Each caution stands on one line with its source.
func table() []Substance {
	return []Substance{
		{
			Name: "sulfuric acid", Of: "15 % or more", CAS: Said{"7664-93-9", casMemory},
			kinds: []Kind{Acid}, names: []string{"accumulator acid", "battery acid", "h2so4"},
			Statements: []Statement{
				{Code: "H290", Source: sdsAcid},
				{Code: "H314", Source: sdsAcid},
			},
			Do: []Said{
				{"acid into water, never water into acid: it boils up and spits", common},
				{"goggles or face shield, gloves and apron; after contact rinse for 15 minutes with running water and see a doctor", common},
				{"small pours in a thin stream, and wait until it has cooled; prefer acid of 30 to 40 %", common},
				{"keep it from bases, organics, metal powders and every cyanide", common},
			},
			Brief: Said{"acid into water, never the reverse; goggles and gloves", common},
		},
		{
			Name: "hydrochloric acid", Of: "31 to 33 %", CAS: Said{"7647-01-0", casMemory},
			kinds: []Kind{Acid, Fuming}, names: []string{"muriatic acid", "hcl"},
			Statements: []Statement{
				{Code: "H290", Source: sdsHCl},
				{Code: "H314", Source: sdsHCl},
				{Code: "H335", Source: sdsHCl},
			},
			Do: []Said{
				{"its fumes burn the lungs and rust what stands near: hood or open window, bottle shut at once", common},
				{"goggles, gloves and apron; into much water or bath, never the other way round", common},
				{"never beside peroxide, bleach or cyanide", common},
			},
			Brief: Said{"it fumes: hood or open window, goggles; acid into water, never the reverse", common},
		},
		{
			Name: "copper sulfate", Of: "the pentahydrate", CAS: Said{"7758-99-8", casMemory},
			kinds: []Kind{Copper}, names: []string{"copper(ii) sulfate", "cupric sulfate", "blue vitriol"},
			Statements: []Statement{
				{Code: "H302", Source: icsc1416},
				{Code: "H318", Source: icsc1416},
				{Code: "H400", Source: annexVI},
				{Code: "H410", Source: icsc1416},
			},
			Do: []Said{
				{"never down a drain: it poisons water life", icsc1416},
				{"goggles and gloves, no dust", common},
				{"dissolve it outside the tank, let it settle or filter it, then pour it in", common},
			},
			Brief: Said{"goggles, no dust; never down a drain", common},
		},
		{
			Name: "nickel sulfate", Of: "the hexahydrate too", CAS: Said{"10101-97-0", niSO4Page},
			kinds: []Kind{Nickel}, names: []string{"nickel(ii) sulfate"},
			Statements: []Statement{
				{Code: "H302", Source: wpNiSO4},
				{Code: "H315", Source: wpNiSO4},
				{Code: "H317", Source: wpNiSO4},
				{Code: "H332", Source: wpNiSO4},
				{Code: "H334", Source: wpNiSO4},
				{Code: "H341", Source: wpNiSO4},
				{Code: "H350", Source: wpNiSO4},
				{Code: "H360D", Source: wpNiSO4},
				{Code: "H372", Source: wpNiSO4},
				{Code: "H400", Source: annexVI},
				{Code: "H410", Source: wpNiSO4},
			},
			Do: []Said{
				{"gloves, goggles and a dust mask; weigh it under a hood", common},
				{"dissolve it in warm bath outside the tank; nothing down a drain", common},
			},
			Brief: Said{"gloves, no dust, no splash on skin; it can cause allergy and cancer", common},
		},
		{
			Name: "nickel chloride", Of: "the hexahydrate too", CAS: Said{"7791-20-0", niteNiCl},
			kinds: []Kind{Nickel}, names: []string{"nickel(ii) chloride"},
			Statements: []Statement{
				{Code: "H301", Source: annexVI},
				{Code: "H315", Source: annexVI},
				{Code: "H317", Source: annexVI},
				{Code: "H331", Source: annexVI},
				{Code: "H334", Source: annexVI},
				{Code: "H341", Source: annexVI},
				{Code: "H350i", Source: annexVI},
				{Code: "H360D", Source: annexVI},
				{Code: "H372", Source: annexVI},
				{Code: "H400", Source: annexVI},
				{Code: "H410", Source: annexVI},
			},
			Do: []Said{
				{"gloves, goggles and a dust mask; weigh it under a hood", common},
				{"dissolve it in warm bath outside the tank; nothing down a drain", common},
			},
			Brief: Said{"gloves, no dust, no splash on skin; it can cause allergy and cancer", common},
		},
		{
			Name: "nickel sulfamate", Of: "the concentrate and the tetrahydrate", CAS: Said{"13770-89-3", casMemory},
			kinds: []Kind{Nickel}, names: []string{"nickel(ii) sulfamate"},
			Statements: []Statement{
				{Code: "H317", Source: annexVI},
				{Code: "H334", Source: annexVI},
				{Code: "H341", Source: annexVI},
				{Code: "H350i", Source: annexVI},
				{Code: "H360D", Source: annexVI},
				{Code: "H372", Source: annexVI},
				{Code: "H400", Source: annexVI},
				{Code: "H410", Source: annexVI},
			},
			Do: []Said{
				{"gloves, goggles, no spray; the solid under a hood with a dust mask", common},
				{"not above 60 degC and not below pH 3: it breaks down; nothing down a drain", common},
			},
			Brief: Said{"gloves, no spray, no splash on skin; it can cause allergy and cancer", common},
		},
		{
			Name: "boric acid", CAS: Said{"10043-35-3", casMemory}, names: []string{"h3bo3"},
			Statements: []Statement{
				{Code: "H360FD", Source: boricRAC},
			},
			Do: []Said{
				{"gloves, no dust; not for anybody who is or may become pregnant", common},
				{Boric, common},
			},
			Brief: Said{"gloves, no dust; it may damage fertility and the unborn child", common},
		},
		{
			Name: "hydrogen peroxide", Of: "30 to 32 %", CAS: Said{"7722-84-1", casH2O2},
			kinds: []Kind{Peroxide}, names: []string{"peroxide", "h2o2"},
			Statements: []Statement{
				{Code: "H302", Source: sdsH2O2},
				{Code: "H318", Source: sdsH2O2},
				{Code: "H332", Source: sdsH2O2},
			},
			Do: []Said{
				{"it feeds fire: away from rags, wood, organics and metal powders", fireH2O2},
				{"goggles and gloves; dilute it, into the stirred bath in a thin stream, lid off: it gives off gas for hours", common},
				{"never into a closed vessel, and never beside acid fumes, cyanide or fresh carbon: it foams over", common},
			},
			Brief: Said{"it burns skin and eyes and feeds fire: goggles, gloves, no closed vessel", common},
		},
		{
			Name: "activated carbon", CAS: Said{"7440-44-0", casMemory}, names: []string{"carbon", "active carbon", "charcoal"},
			Do: []Said{
				{"no dust; let peroxide be gone before carbon goes in", common},
				{"spent carbon holds metal and organics: hazardous waste, kept wet in a closed container", common},
			},
		},
		{
			Name: "sodium hydroxide", CAS: Said{"1310-73-2", sdsNaOH},
			kinds: []Kind{Base}, names: []string{"caustic soda", "lye", "naoh"},
			Statements: []Statement{
				{Code: "H290", Source: sdsNaOH2},
				{Code: "H314", Source: sdsNaOH},
			},
			Do: []Said{
				{"goggles and gloves: it destroys eyes within seconds", common},
				{"for the flask, not for the bath; the solid heats water to boiling", common},
			},
			Brief: Said{"it burns skin and eyes: goggles and gloves", common},
		},
		{
			Name: "silver nitrate", CAS: Said{"7761-88-8", casAgNO3},
			kinds: []Kind{Silver}, names: []string{"agno3"},
			Statements: []Statement{
				{Code: "H272", Source: sdsAgNO3},
				{Code: "H302", Source: sdsAgNO3},
				{Code: "H314", Source: sdsAgNO3},
				{Code: "H372", Source: sdsAgNO3},
				{Code: "H400", Source: sdsAgNO3b},
				{Code: "H410", Source: annexVI},
			},
			Do: []Said{
				{"goggles and gloves: it burns, and stains skin black", common},
				{"silver waste in a labelled container and glassware of its own, never with ammonia", common},
			},
			Brief: Said{"it burns and stains: goggles, gloves; its waste never with ammonia", common},
		},
		{
			Name: "ammonia", Of: "solution of 25 %", CAS: Said{"1336-21-6", casMemory},
			kinds: []Kind{Ammonia, Base}, names: []string{"ammonia water", "ammonium hydroxide"},
			Statements: []Statement{
				{Code: "H314", Source: annexVI},
				{Code: "H335", Source: annexVI},
				{Code: "H400", Source: annexVI},
			},
			Do: []Said{
				{"its fumes burn eyes and lungs: hood or open window, goggles, bottle shut at once", common},
				{"what is left of a titration with it never goes to silver waste or into acid waste", common},
			},
			Brief: Said{"it fumes: hood or open window, goggles; never to silver waste", common},
		},
		{
			Name: "nitric acid", CAS: Said{"7697-37-2", casMemory},
			kinds: []Kind{Fuming}, names: []string{"hno3"},
			Statements: []Statement{
				{Code: "H290", Source: annexVI},
				{Code: "H314", Source: annexVI},
			},
			Do: []Said{
				{"goggles and gloves, hood or open window; with metal it gives off poisonous brown fumes", common},
				{"away from organics and from every cyanide; for the flask, never for the bath", common},
			},
			Brief: Said{"it burns and fumes: goggles, gloves, hood or open window", common},
		},
		{
			Name: "potassium chromate", CAS: Said{"7789-00-6", casMemory},
			kinds: []Kind{Chromate}, names: []string{"chromate"},
			Statements: []Statement{
				{Code: "H315", Source: annexVI},
				{Code: "H317", Source: annexVI},
				{Code: "H319", Source: annexVI},
				{Code: "H335", Source: annexVI},
				{Code: "H340", Source: annexVI},
				{Code: "H350i", Source: annexVI},
				{Code: "H410", Source: annexVI},
			},
			Do: []Said{
				{"gloves, goggles, no dust; a potentiometric end point does without it", common},
				{"chromate waste in a labelled container of its own, never with acid waste", common},
			},
			Brief: Said{"it causes cancer and allergy: gloves, no dust; waste of its own", common},
		},
		{
			Name: "EDTA", CAS: Said{"6381-92-6", casMemory}, names: []string{"edta", "disodium edta", "edta disodium"},
			Do: []Said{
				{"what is left holds metal in a complex that waste treatment does not catch: a container of its own", common},
			},
		},
		{
			Name: "thiosulfate", CAS: Said{"10102-17-7", casMemory}, names: []string{"sodium thiosulfate"},
			Do: []Said{
				{"with acid it gives off sulfur dioxide: never into acid waste; what is left goes to copper waste", common},
			},
		},
		{
			Name: "sodium chloride", CAS: Said{"7647-14-5", casMemory}, names: []string{"salt", "nacl"},
			Do: []Said{
				{"no hazard statement; too much of it in a bath is hard to take out again", common},
			},
		},
		{
			Name: "potassium gold cyanide", CAS: Said{"13967-50-5", sdsGold},
			kinds: []Kind{Cyanide}, names: []string{"gold replenisher", "gold potassium cyanide", "potassium dicyanoaurate", "kau(cn)2"},
			Statements: []Statement{
				{Code: "H290", Source: sdsGold2},
				{Code: "H300", Source: sdsGold},
				{Code: "H310", Source: sdsGold},
				{Code: "H315", Source: sdsGold2},
				{Code: "H318", Source: sdsGold2},
				{Code: "H330", Source: sdsGold},
				{Code: "H410", Source: sdsGold},
				{Code: "EUH032", Source: euh032},
			},
			Do: []Said{
				{"locked away, exhaust that is known to work, never alone; know before you begin where help for cyanide is", common},
				{"no acid in the same room, not even for rinsing; nothing eaten or drunk in it", common},
				{"by the supplier's procedure only; waste to a licensed carrier in a labelled container of its own", common},
			},
			Brief: Said{CyanideShort, common},
		},
		{
			Name: "cyanide", Of: "sodium or potassium cyanide", CAS: Said{"151-50-8", casMemory},
			kinds: []Kind{Cyanide}, names: []string{"potassium cyanide", "sodium cyanide", "kcn", "nacn"},
			Statements: []Statement{
				{Code: "H290", Source: annexVI},
				{Code: "H300", Source: annexVI},
				{Code: "H310", Source: annexVI},
				{Code: "H330", Source: annexVI},
				{Code: "H372", Source: annexVI},
				{Code: "H410", Source: annexVI},
				{Code: "EUH032", Source: euh032},
			},
			Do: []Said{
				{"locked away, exhaust that is known to work, never alone; know before you begin where help for cyanide is", common},
				{"no acid in the same room, not even for rinsing; nothing eaten or drunk in it", common},
			},
			Brief: Said{CyanideShort, common},
		},
	}
}
